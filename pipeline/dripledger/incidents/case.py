"""What the store knows of one pump in one window, read once and kept as plain rows."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

import duckdb

from dripledger.engine import build_relations
from dripledger.errors import UsageError
from dripledger.incidents.given import make_settings
from dripledger.incidents.pump_rows import heard, open_ends, read_pump, stretches_of_infusions
from dripledger.incidents.rows import Row, fetch
from dripledger.incidents.unread import find_unread
from dripledger.site import Site
from dripledger.store import Snapshot

_TABLES: Final = (
    "events", "quarantined", "ignored", "segments", "infusions", "attempts", "alarms", "libraries", "ingests",
)  # fmt: skip
#: How long before an infusion what was logged still counts as setting it up.
SETTING_UP: Final = timedelta(minutes=30)


@dataclass(frozen=True)
class Window:
    """The stretch of time that was asked for, and what it was widened to.

    Parameters
    ----------
    asked_from, asked_to
        As asked, UTC.
    begins_at, ends_at
        Widened to every span that an amount is asked for, and to whole infusions, UTC.
    """

    asked_from: datetime
    asked_to: datetime
    begins_at: datetime
    ends_at: datetime


@dataclass
class Case:
    """One pump in one window.

    Parameters
    ----------
    site, snapshot
        What it was read from.
    pump_id, channel
        The pump; the channel, or None for all.
    window
        The stretch of time.
    events, segments, infusions, alarms, attempts, gaps, readings, unread, libraries, ingests
        Rows of the store as mappings, in order; `events` in the one order of the pump, each with its `place`.
    own_segments
        All stretches of `infusions`, also of those that reach out of the window.
    pump_order
        Of every event of the pump in and around the window, of all channels: place, kind, times, the clock,
        and the record that it is of.
    heard_from, heard_to
        From when until when the store has records of the pump; None where it has some beyond the window.
    aside
        Events of a source whose word does not count here, by time: evidence that nothing is worked out from.
    """

    site: Site
    snapshot: Snapshot
    pump_id: str
    channel: str | None
    window: Window
    events: list[Row] = field(default_factory=list)
    aside: list[Row] = field(default_factory=list)
    segments: list[Row] = field(default_factory=list)
    own_segments: list[Row] = field(default_factory=list)
    pump_order: list[Row] = field(default_factory=list)
    heard_from: datetime | None = None
    heard_to: datetime | None = None
    infusions: list[Row] = field(default_factory=list)
    alarms: list[Row] = field(default_factory=list)
    attempts: list[Row] = field(default_factory=list)
    gaps: list[Row] = field(default_factory=list)
    readings: list[Row] = field(default_factory=list)
    unread: list[Row] = field(default_factory=list)
    libraries: list[Row] = field(default_factory=list)
    ingests: list[Row] = field(default_factory=list)

    @property
    def channels(self) -> list[str]:
        """The channels that show something in the window, sorted; the whole pump is none."""
        rows = [*self.events, *self.segments, *self.infusions]
        return sorted({str(row["channel"]) for row in rows if row["channel"]})

    def inside(self, begins: datetime, ends: datetime | None = None) -> bool:
        """Whether a moment or stretch touches the widened window."""
        return begins <= self.window.ends_at and (ends or begins) >= self.window.begins_at


def open_case(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    snapshot: Snapshot,
    pump_id: str,
    channel: str | None,
    asked_from: datetime,
    asked_to: datetime,
    spans: Sequence[tuple[datetime, datetime]] = (),
) -> Case:
    """Read one pump in one window, widened to further spans and to whole infusions.

    Parameters
    ----------
    con
        A connection of its own; the pump's rows stand in it afterwards under the names of the store's tables.
    site, snapshot
        The site and the version of its store.
    pump_id, channel
        The pump; one channel, or None for all.
    asked_from, asked_to
        The window, UTC.
    spans
        Further pairs of moments that amounts are asked for, UTC.

    Raises
    ------
    UsageError
        If the store knows no such pump or channel, or the window ends before it begins.
    """
    if asked_to < asked_from:
        raise UsageError("the window ends before it begins", where="--to", do="Give --from before --to")
    snapshot.attach(con, _TABLES, "store_")
    only = "pump_id = ?" if channel is None else "pump_id = ? and channel in ('', ?)"
    who = [pump_id] if channel is None else [pump_id, channel]
    begins = min([asked_from, *(moment for span in spans for moment in span)])
    ends = max([asked_to, *(moment for span in spans for moment in span)])

    touching = fetch(
        con,
        f"select infusion_id, started_at, ended_at from store_infusions where {only} and started_at <= ? "
        "and (ended_at is null or ended_at >= ?)",
        [*who, ends, begins],
    )
    begins = min([begins, *(row["started_at"] for row in touching)])
    ends = max([ends, *(row["ended_at"] for row in touching if row["ended_at"] is not None)])
    ends = max([ends, *open_ends(con, touching)])
    read_from = read_pump(con, site, pump_id, begins, ends)
    if not con.execute("select 1 from pump_events limit 1").fetchall():
        _refuse_unknown(con, site, pump_id)
    begins = _with_setting_up(con, [row["infusion_id"] for row in touching], begins)
    make_settings(con, site)
    build_relations(con, "infusions", ["pump_places"])
    build_relations(con, "incidents")
    window = Window(asked_from, asked_to, begins, ends)
    since, until = heard(con, site, pump_id, begins, ends)
    case = Case(site, snapshot, pump_id, channel, window, heard_from=since, heard_to=until)
    return _gather(con, case, read_from)


def _with_setting_up(
    con: duckdb.DuckDBPyConnection, infusion_ids: Sequence[str], begins: datetime
) -> datetime:
    """Return when the setting up of some infusions began: what was logged before them, after the one before.

    A weight, a care area, a patient or a limit alert stands before the start that it belongs to.
    """
    rows = fetch(
        con,
        "select min(e.occurred_at) as begins_at from infusions as i inner join events as e "
        "on e.channel in ('', i.channel) and e.occurred_at <= i.started_at "
        "and epoch_us(i.started_at) - epoch_us(e.occurred_at) <= ? "
        "left join (select b.channel, b.ended_at from infusions as b) as b "
        "on b.channel = i.channel and b.ended_at <= i.started_at and b.ended_at > e.occurred_at "
        "where b.channel is null and i.infusion_id in (select unnest(?::varchar[]))",
        [round(SETTING_UP.total_seconds() * 1e6), list(infusion_ids)],
    )
    found: datetime | None = rows[0]["begins_at"]
    return begins if found is None else min(begins, found)


def _refuse_unknown(con: duckdb.DuckDBPyConnection, site: Site, pump_id: str) -> None:
    """Refuse a pump that the store has never heard of; one that was silent in the window is no error."""
    if any(row.pump == pump_id for row in site.pumps or ()):
        return
    names = [row[0] for row in con.execute("select distinct pump_id from store_infusions").fetchall()]
    if (
        pump_id in names
        or con.execute("select 1 from store_events where pump_id = ? limit 1", [pump_id]).fetchall()
    ):
        return
    import difflib

    close = difflib.get_close_matches(pump_id, names, n=1, cutoff=0.6)
    raise UsageError(
        f"the store knows no pump {pump_id!r}",
        where="--pump",
        do=f"Perhaps you mean {close[0]!r}"
        if close
        else "See 'dripledger query \"select distinct pump_id from infusions\"'",
    )


def _gather(con: duckdb.DuckDBPyConnection, case: Case, read_from: datetime) -> Case:
    window, channel = case.window, case.channel
    span = [window.begins_at, window.ends_at]
    here = "true" if channel is None else "channel in ('', ?)"
    also = [] if channel is None else [channel]
    if (
        channel is not None
        and not con.execute("select 1 from pump_events where channel = ? limit 1", also).fetchall()
    ):
        seen = con.execute("select distinct channel from pump_events").fetchall()
        found = sorted(r[0] for r in seen if r[0])
        if found:
            raise UsageError(
                f"pump {case.pump_id!r} shows no channel {channel!r} around this window",
                where="--channel",
                do=f"It shows {', '.join(map(repr, found))}",
            )
    case.events = fetch(
        con,
        f"select * from trace_order where occurred_at between ? and ? and {here} order by place",
        [*span, *also],
    )
    case.aside = fetch(
        con,
        f"select * from aside_events where occurred_at between ? and ? and {here} "
        "order by occurred_at, source_name, source_record, record_place, event_id",
        [*span, *also],
    )
    case.segments = fetch(
        con,
        # what begins at the very moment to which the window was widened is no part of it
        "select * from trace_segments where (started_at < ? or started_at <= ?) and ended_at >= ? "
        f"and {here} order by channel, clock_run, started_at, ended_at, infusion_id, state",
        [window.ends_at, window.asked_to, window.begins_at, *also],
    )
    case.infusions = fetch(
        con,
        "select * from infusions where (started_at < ? or started_at <= ?) "
        f"and (ended_at is null or ended_at >= ?) and {here} order by started_at, channel, infusion_id",
        [window.ends_at, window.asked_to, window.begins_at, *also],
    )
    case.own_segments = stretches_of_infusions(con, case.pump_id, case.infusions, read_from)
    case.pump_order = fetch(
        con,
        "select place, kind, occurred_at, device_time, clock_offset_s, clock_run, after_clock_back, "
        "sequence, source_name, source_file_sha256, source_record from trace_order order by place",
    )
    case.alarms = fetch(
        con,
        f"select * from alarms where raised_at <= ? and coalesce(ended_at, raised_at) >= ? and {here} "
        "order by raised_at, channel, alarm_id",
        [window.ends_at, window.begins_at, *also],
    )
    case.attempts = fetch(
        con,
        "select * from attempts where first_alert_at <= ? and coalesce(decided_at, last_alert_at) >= ? "
        f"and {'true' if channel is None else 'channel in (?, chr(0))'} order by first_alert_at, attempt_id",
        [window.ends_at, window.begins_at, *also],
    )
    case.gaps = fetch(
        con,
        "select * from trace_gaps where occurred_before <= ? and occurred_at >= ? "
        "order by occurred_at, event_id",
        [window.ends_at, window.begins_at],
    )
    case.readings = fetch(
        con,
        "select * from trace_readings where occurred_at between ? and ? "
        f"and {'true' if channel is None else 'channel = ?'} order by place, channel",
        [*span, *also],
    )
    case.unread = find_unread(con, case.pump_id, case.pump_order, case.site, window.begins_at, window.ends_at)
    case.libraries = fetch(
        con,
        "select l.* from libraries as l semi join (select distinct library_version, entry from segments) "
        "as s "
        "on l.library_version = s.library_version and l.entry = s.entry order by all",
    )
    case.ingests = fetch(
        con,
        "select source_file_sha256, source_name, min(path) as path, "
        "max_by(records_json, {'at': epoch_us(ingested_at), 'id': ingest_id}) as records_json, "
        "max_by(mapping_sha256, {'at': epoch_us(ingested_at), 'id': ingest_id}) as mapping_sha256 "
        "from store_ingests group by source_file_sha256, source_name order by all",
    )
    return case


def kinds_logged(case: Case) -> dict[str, list[str]]:
    """Return, for each source of the case, the kinds that it can log, as its newest ingest declared."""
    names = {str(event["source_name"]) for event in case.events}
    found: dict[str, list[str]] = {}
    for row in case.ingests:
        if row["source_name"] in names:
            found[row["source_name"]] = json.loads(row["records_json"] or "[]")
    return found
