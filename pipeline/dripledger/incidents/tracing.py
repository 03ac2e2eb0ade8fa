"""From a site, a pump and a window to a trace."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dripledger import __version__
from dripledger.engine import connect
from dripledger.incidents.amounts import pumped
from dripledger.incidents.case import Case, open_case
from dripledger.incidents.clock_steps import ClockStep, clock_steps
from dripledger.incidents.doses import stretches_of
from dripledger.incidents.doubts import clock_doubt, holes, loss_caution, losses_unseen, not_logged
from dripledger.incidents.findings import find
from dripledger.incidents.limits import limits_for, limits_text
from dripledger.incidents.log_ends import edges
from dripledger.incidents.model import Stamp, Trace
from dripledger.incidents.moments import utc_text
from dripledger.incidents.parts import AlarmSpan, Infusion, Stretch
from dripledger.incidents.pieces import UNKNOWN
from dripledger.incidents.timeline import build_timeline
from dripledger.site import Site
from dripledger.store import Snapshot, spill_folder

if TYPE_CHECKING:
    from collections.abc import Iterator

    import duckdb

Row = dict[str, Any]


@dataclass(frozen=True)
class Asked:
    """What a trace is asked for; it stands in the packet, so that the same can be asked again.

    Parameters
    ----------
    pump_id, channel
        The pump; one channel, or None for all.
    begins_at, ends_at
        The window, UTC.
    at
        The moment to draw a second figure round, UTC; None: none.
    between
        Further pairs of moments to give amounts for, UTC.
    clock_doubt_s
        How far the clock may be off either way beyond what clocks.csv corrects, seconds.
    """

    pump_id: str
    channel: str | None
    begins_at: datetime
    ends_at: datetime
    at: datetime | None = None
    between: tuple[tuple[datetime, datetime], ...] = ()
    clock_doubt_s: float = 0.0

    def as_json(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "pump": self.pump_id,
            "channel": self.channel,
            "from": utc_text(self.begins_at),
            "to": utc_text(self.ends_at),
            "at": None if self.at is None else utc_text(self.at),
            "between": [[utc_text(a), utc_text(b)] for a, b in self.between],
            "clock_doubt_s": self.clock_doubt_s,
        }

    @classmethod
    def from_json(cls, told: dict[str, Any]) -> Asked:
        """Read what `as_json` wrote."""

        def moment(text: str) -> datetime:
            return datetime.fromisoformat(text)

        return cls(
            told["pump"], told["channel"], moment(told["from"]), moment(told["to"]),
            None if told["at"] is None else moment(told["at"]),
            tuple((moment(a), moment(b)) for a, b in told["between"]),
            float(told["clock_doubt_s"]),
        )  # fmt: skip


@contextmanager
def _opened(site: Site) -> Iterator[duckdb.DuckDBPyConnection]:
    with spill_folder(site.store, "trace") as spill:
        con = connect(spill)
        try:
            yield con
        finally:
            con.close()


def trace_case(site: Site, snapshot: Snapshot, asked: Asked) -> tuple[Trace, Case]:
    """Trace, and return the rows behind it as well; see `trace`."""
    with _opened(site) as con:
        case = open_case(
            con, site, snapshot, asked.pump_id, asked.channel, asked.begins_at, asked.ends_at, asked.between
        )
        found = find(con, case)
    doubt = clock_doubt(case, asked.clock_doubt_s)
    open_at, unseen, steps = holes(case), losses_unseen(case), clock_steps(case)
    spans = [(asked.begins_at, asked.ends_at), *asked.between]
    told = Trace(
        pump_id=case.pump_id,
        channel=case.channel,
        window=case.window,
        at=asked.at,
        stamp=stamp(site, snapshot),
        clock=doubt.sentences(),
        clock_s=doubt.either_way_s,
        clock_known=bool(doubt.given_s),
        clock_caution=doubt.caution(),
        losses_unseen=unseen,
        loss_caution=loss_caution(unseen),
        infusions=[_infusion(case, number, row, steps) for number, row in enumerate(case.infusions, 1)],
        stretches=_stretches(case),
        alarms=[_alarm(row) for row in case.alarms],
        lines=build_timeline(case, doubt, open_at),
        holes=open_at,
        findings=found,
        pumped=[
            pumped(case, channel, begins, ends, doubt, open_at, steps)
            for begins, ends in spans
            for channel in _running([*case.segments, *case.infusions])
        ],
        not_logged=not_logged(case),
    )
    return told, case


def trace(site: Site, snapshot: Snapshot, asked: Asked) -> Trace:
    """Trace what one pump did.

    Parameters
    ----------
    site
        The site as it was declared when the version was committed.
    snapshot
        The version of its store.
    asked
        Pump and window.

    Returns
    -------
    Trace
        The timeline widened to whole infusions, with its doubts, amounts and findings.

    Raises
    ------
    UsageError
        If the store knows no such pump or channel.
    """
    return trace_case(site, snapshot, asked)[0]


def stamp(site: Site, snapshot: Snapshot) -> Stamp:
    """Return what a trace is made from."""
    row = snapshot.row
    return Stamp(
        facility=site.settings.facility,
        time_zone=site.settings.time_zone,
        store_version=snapshot.version,
        committed_at="" if row is None else utc_text(row.committed_at),
        chain_sha256="" if row is None else row.chain_sha256,
        code_version=__version__,
    )


def _stretches(case: Case) -> list[Stretch]:
    """Return the stretches of a case, and those of a channel that ran where its log does not reach."""
    found = stretches_of(case)
    for channel in _running([*case.segments, *case.infusions]):
        runs = [one.clock_run for one in found if one.channel == channel]
        for edge in edges(case, channel, case.window.begins_at, case.window.ends_at):
            run = max(runs, default=0) if edge.ends_at == case.window.ends_at else min(runs, default=0)
            found.append(
                Stretch(
                    channel, edge.begins_at, edge.ends_at, UNKNOWN, None, None, None, None, edge.entry, run
                )
            )
    return sorted(found, key=lambda s: (s.channel, s.clock_run, s.started_at, s.ended_at))


def _running(rows: Sequence[Row]) -> list[str]:
    return sorted({str(row["channel"]) for row in rows})


def _float(value: Any) -> float | None:
    return None if value is None else float(value)


def _infusion(case: Case, number: int, row: Row, steps: Sequence[ClockStep]) -> Infusion:
    own = [s for s in case.own_segments if s["infusion_id"] == row["infusion_id"]]
    uncertain = row["uncertain"] or any(step.touches(own) for step in steps)
    return Infusion(
        number, str(row["channel"]), row["started_at"], row["ended_at"], row["start_kind"], row["end_kind"],
        row["entry"], row["care_area"], row["library_use"], row["library_version"], row["running_hours"],
        _float(row["volume_ml"]), _float(row["volume_keep_open_ml"]), row["volume_reported_ml"],
        _float(row["amount"]), row["amount_unit"], bool(uncertain), bool(row["false_start"]),
        limits_text(limits_for(own[0], case.libraries)) if own else "", str(row["infusion_id"]),
    )  # fmt: skip


def _alarm(row: Row) -> AlarmSpan:
    ends = row["cleared_at"]
    return AlarmSpan(
        str(row["channel"]), row["raised_at"], row["silenced_at"], ends, row["ended_at"],
        str(row["alarm_kind"]),
        row["alarm_priority"], row["stopped_delivery"],
        None if ends is None else (ends - row["raised_at"]).total_seconds(),
    )  # fmt: skip
