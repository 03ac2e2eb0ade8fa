"""What a channel may have pumped where no record reaches: outside its log, or within a step of the clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from itertools import pairwise
from typing import Final

from dripledger.incidents.case import Case
from dripledger.incidents.doubts import POWER, SETS
from dripledger.incidents.moments import local_text
from dripledger.incidents.pieces import HOUR_US, UNKNOWN, Piece, to_us
from dripledger.incidents.rows import Row

#: Why nobody knows what flowed there.
LOG_ENDS: Final = "a log that ends while the channel runs"
LOG_BEGINS: Final = "a log that begins, or begins again, while the channel runs"
#: The same where the channel stood still at its last record, or nothing is known of it before its first.
LOG_OVER: Final = "the store has no record of the pump after {at}"
LOG_LATER: Final = "the store has no record of the pump before {at}"
#: The state of a stretch in which not even its pump was heard.
_UNHEARD: Final = "not heard"
_RATES: Final = SETS | {"bolus_started"}


@dataclass(frozen=True)
class Edge:
    """A stretch before the first or after the last record of a channel, as far as was asked.

    Parameters
    ----------
    begins_at, ends_at
        From when to when, UTC.
    entry
        The entry that is known of the infusion.
    why
        Which of both it is, in words.
    ran
        Whether the channel ran at that record.
    """

    begins_at: datetime
    ends_at: datetime
    entry: str | None
    why: str
    ran: bool

    @property
    def piece(self) -> Piece:
        """The stretch as one of which nobody can say what flowed; what had ended beside it bounds nothing."""
        state = UNKNOWN if self.ran else _UNHEARD
        return Piece(to_us(self.begins_at), to_us(self.ends_at), None, state)


def edges(case: Case, channel: str, begins_at: datetime, ends_at: datetime) -> list[Edge]:
    """Return the stretches between two moments that no record of a channel reaches."""
    found = []
    for row in case.infusions:
        if row["channel"] != channel:
            continue
        own = [s for s in case.own_segments if s["infusion_id"] == row["infusion_id"]]
        if row["end_kind"] == "open":
            last = max([row["started_at"], *(s["ended_at"] for s in own)])
            found.append((last, ends_at, row["entry"], LOG_ENDS))
        if row["start_kind"] == "missing":
            found.append((_heard_before(case, row, begins_at), row["started_at"], row["entry"], LOG_BEGINS))
    told = [Edge(max(a, begins_at), min(b, ends_at), entry, why, True) for a, b, entry, why in found if a < b]
    since, until = case.heard_from, case.heard_to
    if since is not None and not any(edge.begins_at <= begins_at for edge in told):
        why = LOG_LATER.format(at=local_text(since, case.site.zone))
        told.append(Edge(begins_at, min(since, ends_at), None, why, False))
    if until is not None and not any(edge.ends_at >= ends_at for edge in told):
        why = LOG_OVER.format(at=local_text(until, case.site.zone))
        told.append(Edge(max(until, begins_at), ends_at, None, why, False))
    return [edge for edge in told if edge.begins_at < edge.ends_at]


def _heard_before(case: Case, infusion: Row, begins_at: datetime) -> datetime:
    """Return until when it is known what the channel did before an infusion whose start is missing."""
    at = infusion["started_at"]
    ended = [
        s["ended_at"] for s in case.segments if s["channel"] == infusion["channel"] and s["ended_at"] <= at
    ]
    turned = [e["occurred_at"] for e in case.events if e["kind"] in POWER and e["occurred_at"] <= at]
    known: datetime = max([begins_at, *ended, *turned])
    return known


@dataclass(frozen=True)
class Brief:
    """A rate that held for less than the clock can show: no stretch of any length stands for it.

    Parameters
    ----------
    most_ml
        What may have flowed at most, mL.
    entry
        What its event names; None: what was in force.
    """

    most_ml: Fraction
    entry: str | None


def brief_stretches(case: Case, channel: str, begins_at: datetime, ends_at: datetime) -> list[Brief]:
    """Return the rates that were followed by another event of the channel at the same reading of the clock.

    Both may have been anywhere in their steps, so that it lasted two of them at most.
    """
    own = [e for e in case.events if e["channel"] in ("", channel)]
    return [
        Brief(Fraction(str(e["rate_ml_h"])) / HOUR_US * 2 * _step_us(e), e["entry"])
        for e, following in pairwise(own)
        if e["kind"] in _RATES and e["rate_ml_h"] is not None and e["channel"] == channel
        and e["occurred_at"] == following["occurred_at"] and begins_at <= e["occurred_at"] <= ends_at
    ]  # fmt: skip


def _step_us(event: Row) -> int:
    return round(float(event["time_resolution_s"]) * 1e6)


def brief_amount(found: Sequence[Brief], entry: str, per_ml: Fraction) -> Fraction:
    """Return what may have flowed of a drug in stretches too short to be shown, at the strength it had."""
    return sum((one.most_ml * per_ml for one in found if one.entry in (None, entry)), Fraction(0))
