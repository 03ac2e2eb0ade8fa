"""From when the log of a touched pump has to be read again, so that a month costs a month.

What is built of a pump follows from its log and from nothing else, but it need not follow from all of it.
Once the whole pump was switched off and said nothing for longer than every window of the rules, no infusion,
alarm or attempt is open, and programme, care area and weight are cleared. What holds on beyond that (the
patient, the library, the last rate, a counter) was told by some event: a pump is read again from a
switching-off that lies before the last event that told each of these, on every channel and line. What
begins after a later switching-off is replaced.

A pump is read whole where there is doubt: its counter does not order its events as the whole log does
(`resume_counter`), a value was told longer ago than is looked for, or only by what may or may not tell it or
names no line, its alarms cannot end, or it was never off. What lies before the part that is replaced is built
once more and compared (`update`): a pump for which it does not come out as it stands is read whole too.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Final

import duckdb

from dripledger.engine import build_relations
from dripledger.infusions.resume_counter import leave_out, leave_out_other_orders

__all__ = ["choose"]

#: How far back a moment is looked for at which nothing was open.
_LOOK_BACK: Final = timedelta(days=184)
_ROOM: Final = "resuming"
#: A clock can tell any year; only these are reckoned with.
_CREDIBLE: Final = "first_touched_at between timestamptz '1970-01-01' and timestamptz '2200-01-01'"

_STARTS: Final = "kind in ('infusion_started', 'infusion_resumed')"
#: What programmes wherever it stands, for infusions and for warnings alike.
_PROGRAMMES: Final = "kind in ('infusion_started', 'infusion_resumed', 'rate_changed', 'programme_changed')"
#: What is tried, asked or typed is not in force, as in `sql/infusions/channel_log.sql`.
IN_FORCE: Final = (
    "kind not in ('limit_alerted', 'limit_overridden', 'reprogrammed_within_limits', 'attempt_cancelled', "
    "'order_received', 'order_accepted', 'order_rejected', 'key_pressed', 'library_received', "
    "'demand_requested', 'demand_refused', 'other')"
)
#: What can open an infusion on a channel of which nobody knows whether it runs, and so confirm what it tells.
_OPENS: Final = (
    "kind in ('infusion_stopped', 'infusion_completed', 'infusion_paused', 'kvo_started', 'bolus_started', "
    "'bolus_ended', 'dose_cycle_started', 'dose_cycle_ended')"
)
_BYPASSES: Final = "kind = 'library_bypassed'"
_REPORTS: Final = "kind in ('volume_reported', 'weight_changed')"
#: What holds on over a switching-off until it is told anew: name -> whether an event tells it.
TOLD: Final = {
    "start": _STARTS,
    "completion": "kind in ('infusion_completed', 'kvo_started')",
    "totals": "kind = 'totals_cleared'",
    "patient": "kind = 'patient_changed' or patient_key is not null",
    "library": f"library_version is not null and {IN_FORCE}",
    "pump_type": "pump_type is not null",
    "fluid_started": f"fluid_source is not null and {_STARTS}",
    "fluid": f"fluid_source is not null and {IN_FORCE}",
    "reading": "volume_delivered_ml is not null",
    "programme": _PROGRAMMES,
    "use": f"library_use <> 'unknown' and {_PROGRAMMES}",
    # it hides a use that is known, and does not replace it
    "use_unknown": f"library_use = 'unknown' and {_PROGRAMMES}",
    "use_otherwise": f"library_use is not null and ({_OPENS} or {_BYPASSES})",
    "rate": f"rate_ml_h is not null and ({_PROGRAMMES} or {_BYPASSES})",
    "rate_otherwise": f"rate_ml_h is not null and ({_OPENS} or {_REPORTS})",
    "dose": f"dose_value is not null and ({_PROGRAMMES} or {_OPENS} or {_BYPASSES})",
    "bypass": _BYPASSES,
}
#: What may or may not tell the same, as the state then was: harmless where the surer way was used since.
_SURER: Final = {"use_otherwise": "use", "rate_otherwise": "rate"}
#: What a line holds, with all that may tell it where the line is not named.
_OF_A_LINE: Final = {
    "use": ("use", "use_unknown", "use_otherwise", "bypass"),
    "rate": ("rate", "rate_otherwise", "dose"),
    "start": ("completion",),
}
_GROUP: Final = "facility, pump_id, channel"


def choose(con: duckdb.DuckDBPyConnection) -> None:
    """Make ``resumed``: for each touched pump from when it is read, compared and replaced; null is from ever.

    Parameters
    ----------
    con
        Connection with `touched_pumps` (`facility`, `pump_id`, `first_touched_at` or null), and with the
        relations `events`, `ignored`, `settings` and `source_records`.
    """
    con.execute(
        "create or replace temp table resumed as select facility, pump_id, cast(null as timestamptz) as "
        "read_from, cast(null as timestamptz) as check_from, cast(null as timestamptz) as replace_from "
        "from touched_pumps"
    )
    horizon = _horizon(con)
    if horizon is None:
        return
    _read_lately(con, horizon)
    build_relations(con, _ROOM)
    _find(con, horizon)
    leave_out_other_orders(con)
    con.execute(
        "update resumed set read_from = f.read_from, check_from = f.check_from, "
        "replace_from = f.replace_from from resume_found f "
        "where f.facility = resumed.facility and f.pump_id = resumed.pump_id"
    )
    for name in ("found", "told", "points", "cuts", "log", "pumps", "channels"):
        con.execute(f"drop table if exists resume_{name}")
    con.execute("drop view resume_events")


def _horizon(con: duckdb.DuckDBPyConnection) -> str | None:
    """Make `resume_pumps`, touched about as lately as the last; return since when they are read, as SQL."""
    con.execute(
        "create or replace temp table resume_channels as select distinct facility, pump_id, channel, "
        "fluid_source = 'secondary' as is_secondary from events "
        "semi join touched_pumps using (facility, pump_id)"
    )
    con.execute(
        "create or replace temp table resume_pumps as select facility, pump_id, first_touched_at, channels, "
        "has_secondary from touched_pumps inner join (select facility, pump_id, "
        "count(distinct channel) as channels, coalesce(bool_or(is_secondary), false) as has_secondary "
        "from resume_channels group by facility, pump_id) using (facility, pump_id) "
        f"where {_CREDIBLE} and first_touched_at > (select max(first_touched_at) from touched_pumps "
        f"where {_CREDIBLE}) - interval {_LOOK_BACK.days // 2} day"
    )
    ((earliest,),) = con.execute("select min(first_touched_at) from resume_pumps").fetchall()
    # said as a constant, it lets the engine pass over files and row groups of months long ago
    return None if earliest is None else f"timestamptz '{(earliest - _LOOK_BACK).isoformat()}'"


def _read_lately(con: duckdb.DuckDBPyConnection, horizon: str) -> None:
    flags = ", ".join(f"coalesce({sql}, false) as told_{name}" for name, sql in TOLD.items())
    con.execute(
        "create or replace temp view resume_events as select facility, pump_id, channel, fluid_source, "
        f"source_name, occurred_at, kind, {flags} from events "
        f"semi join resume_pumps using (facility, pump_id) where occurred_at >= {horizon}"
    )


def _find(con: duckdb.DuckDBPyConnection, horizon: str) -> None:
    """Make `resume_found`: the pumps of which all that holds on was told since a switching-off."""
    last = ", ".join(f"max(case when told_{name} then occurred_at end) as {name}" for name in TOLD)
    con.execute(
        f"create or replace temp table resume_told as select {_GROUP}, line, max(occurred_at) as heard_at, "
        f"{last} from resume_log inner join resume_points using (facility, pump_id) "
        f"where occurred_at < check_from group by {_GROUP}, line"
    )
    columns = ", ".join(("heard_at", *TOLD))
    con.execute(
        "create or replace temp table resume_found as "
        "select t.facility, t.pump_id, max(c.off_at) as read_from, t.check_from, t.replace_from from ("
        f"select facility, pump_id, min(least({columns})) as told_since, check_from, replace_from "
        "from resume_told inner join resume_points using (facility, pump_id) group by all) t "
        "inner join resume_cuts c on c.facility = t.facility and c.pump_id = t.pump_id "
        "and c.off_at <= t.told_since group by all"
    )
    # a channel, or a secondary on it, that was not heard since the horizon
    leave_out(
        con,
        f"select {_GROUP} from resume_channels c where not exists (select 1 from resume_told t where "
        "t.facility = c.facility and t.pump_id = c.pump_id and t.channel = c.channel "
        "and (t.line = 'secondary' or not coalesce(c.is_secondary, false)))",
    )
    _leave_out_told_long_ago(con, horizon)
    for name, surer in _SURER.items():
        leave_out(
            con, f"select facility, pump_id from resume_told where {name} is not null and {surer} is null"
        )
    # a bypass waits for the next programme of the channel, on either line, and that need not say a use
    leave_out(
        con,
        "select facility, pump_id from resume_told group by facility, pump_id "
        "having count(bypass) > 0 and bool_or(programme is not null and use is null)",
    )
    _leave_out_unnamed_lines(con)
    # an alarm of a source that logs no clearing has no end that an update could come too late for
    leave_out(
        con,
        "select facility, pump_id from resume_log where kind = 'alarm_updated' and source_name in ("
        "select source_name from source_records group by source_name "
        "having not bool_or(kind in ('alarm_cleared', 'all')))",
    )


def _leave_out_told_long_ago(con: duckdb.DuckDBPyConnection, horizon: str) -> None:
    """Leave out pumps of which a line of a channel was not told since the horizon what was told before it."""
    untold = ", ".join(f"count(*) - count({name})" for name in TOLD)
    counts = con.execute(f"select {untold} from resume_told").fetchall()[0]
    names = [name for name, count in zip(TOLD, counts, strict=True) if count]
    if not names:
        return
    # what happened long ago is read once for all of them
    told = ", ".join(f"bool_or({TOLD[name]}) as {name}" for name in names)
    leave_out(
        con,
        f"select facility, pump_id from (select {_GROUP}, {told} from events semi join resume_found "
        f"using (facility, pump_id) where occurred_at < {horizon} group by {_GROUP}) e "
        f"inner join resume_told t using ({_GROUP}) "
        f"where {' or '.join(f'(t.{name} is null and e.{name})' for name in names)}",
    )


def _leave_out_unnamed_lines(con: duckdb.DuckDBPyConnection) -> None:
    """Leave out pumps of which a line has what it holds only from events that name no line."""
    con.execute(
        "create or replace temp table resume_lines as select distinct c.facility, c.pump_id, c.channel, "
        "l.is_secondary from resume_channels c inner join resume_pumps p "
        "on c.facility = p.facility and c.pump_id = p.pump_id and p.has_secondary "
        "and (c.channel <> '' or p.channels = 1) "
        "inner join (select facility, pump_id, channel, false as is_secondary from resume_channels "
        "union select facility, pump_id, channel, true from resume_channels where is_secondary) l "
        "on c.facility = l.facility and c.pump_id = l.pump_id and l.channel in (c.channel, '')"
    )
    for name, ways in _OF_A_LINE.items():
        told = f"coalesce({', '.join(f'u.{way}' for way in ways)}) is not null"
        leave_out(
            con,
            "select facility, pump_id from resume_lines l where exists (select 1 from resume_told u where "
            f"u.facility = l.facility and u.pump_id = l.pump_id and u.line = '?' and {told}) "
            "and not exists (select 1 from resume_told t where t.facility = l.facility "
            "and t.pump_id = l.pump_id and t.channel in (l.channel, '') and t.line <> '?' "
            f"and (t.line = 'secondary') = l.is_secondary and t.{name} is not null)",
        )
    con.execute("drop table resume_lines")
