"""Rows of one pump in and around a window, as temporary tables under the names of the store's tables."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

import duckdb

from dripledger.incidents.given import set_aside
from dripledger.incidents.rows import Row, fetch
from dripledger.site import Site
from dripledger.store.counting import counting_events

_DAY: Final = timedelta(days=1)
#: How far around a window its pump is read too: for the weight, the numbers and the infusion before it.
AROUND: Final = timedelta(days=3)


def _months(begins: datetime, ends: datetime) -> list[str]:
    """Return the months, as partitions name them, from one moment to another."""
    found, year, month = [], begins.year, begins.month
    while (year, month) <= (ends.year, ends.month):
        found.append(f"{year:04}-{month:02}")
        year, month = (year, month + 1) if month < 12 else (year + 1, 1)
    return found


def _clock_reach(site: Site, pump_id: str) -> timedelta:
    """How far this pump's clock may lie from true time by clocks.csv: partitions are by its own clock."""
    offsets = [abs(row.offset_s) for row in site.clocks if row.pump == pump_id]
    return _DAY + timedelta(seconds=max(offsets, default=0.0))


def _listed(months: Sequence[str]) -> str:
    return ", ".join(f"'{month}'" for month in months)


def open_ends(con: duckdb.DuckDBPyConnection, touching: Sequence[Row]) -> list[datetime]:
    """Return how far open infusions reach: as far as their pump was heard."""
    still = [row for row in touching if row["ended_at"] is None]
    if not still:
        return []
    rows = fetch(
        con,
        "select max(ended_at) as ended_at from store_segments where month >= ? and infusion_id in "
        "(select unnest(?::varchar[]))",
        [
            f"{min(row['started_at'] for row in still).astimezone(UTC):%Y-%m}",
            [row["infusion_id"] for row in still],
        ],
    )
    return [row["ended_at"] for row in rows if row["ended_at"] is not None]


def read_pump(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    pump_id: str,
    begins: datetime,
    ends: datetime,
) -> datetime:
    """Make temporary tables of the pump's rows in and around a window, under the names of the store's tables.

    Returns from when on they hold its rows.

    The event before it and the one after are among them however far they lie, within the months that are
    read: between them and the window numbers may be missing.
    """
    low, high = begins - AROUND, ends + AROUND
    reach = _clock_reach(site, pump_id)
    # partitions are by the pump's own clock, those of what was rebuilt by true time: this holds both
    here = f"month in ({_listed(_months(low - reach, high + reach))}) and pump_id = ?"
    # two columns first: the engine passes over whole blocks of the others by their least and greatest time
    near = fetch(
        con,
        "select max(case when occurred_at < ? then occurred_at end) as before_it, "
        f"min(case when occurred_at > ? then occurred_at end) as after_it from store_events where {here}",
        [begins, ends, pump_id],
    )[0]
    span = [min(low, near["before_it"] or low), max(high, near["after_it"] or high)]
    con.execute(
        f"create temp table pump_events as select * from store_events where {here} "
        "and occurred_at between ? and ?",
        [pump_id, *span],
    )
    con.execute(
        f"create temp table segments as select * from store_segments where {here} "
        "and started_at between ? and ?",
        [pump_id, *span],
    )
    for name, table in (*((t, t) for t in ("infusions", "alarms", "attempts")), ("pump_ignored", "ignored")):
        con.execute(f"create temp table {name} as select * from store_{table} where {here}", [pump_id])
    set_aside(con, site, "pump_events", "pump_ignored")
    con.execute(
        # a record whose pump cannot be read may be this pump's, if it came in a file of this pump
        "create temp table quarantined as select * from store_quarantined where pump_id = ? "
        "or (pump_id is null and source_file_sha256 in (select source_file_sha256 from pump_events))",
        [pump_id],
    )
    con.execute("create temp table libraries as select * from store_libraries")
    return span[0]


def heard(
    con: duckdb.DuckDBPyConnection, site: Site, pump_id: str, begins: datetime, ends: datetime
) -> tuple[datetime | None, datetime | None]:
    """Return from when until when the store has records of a pump, where it has none beyond a window.

    None for a side on which it has: then the log reaches over the window's end. Ignored records count, for a
    sign of life says that nothing else was logged; those of a source whose word does not count do not.
    """
    reach = _clock_reach(site, pump_id)
    counting = counting_events(site.settings.precedence, "store_events")
    columns = "month, pump_id, occurred_at"
    records = f"(select {columns} from ({counting}) union all select {columns} from store_ignored)"

    def any_beyond(sql: str, month: datetime, moment: datetime) -> bool:
        asked = f"select 1 from {records} where pump_id = ? and {sql} limit 1"
        return bool(con.execute(asked, [pump_id, f"{month:%Y-%m}", moment]).fetchall())

    found = con.execute(
        "select min(occurred_at), max(occurred_at) from (select occurred_at from events where occurred_at "
        "between ? and ? union all select occurred_at from ignored where occurred_at between ? and ?)",
        [begins, ends, begins, ends],
    ).fetchall()[0]
    before = any_beyond("month <= ? and occurred_at <= ?", begins + reach, begins)
    after = any_beyond("month >= ? and occurred_at >= ?", ends - reach, ends)
    return (None if before else found[0]), (None if after else found[1])


def stretches_of_infusions(
    con: duckdb.DuckDBPyConnection, pump_id: str, infusions: Sequence[Row], read_from: datetime
) -> list[Row]:
    """Return all stretches of some infusions in order, also those from before what was read of the pump.

    An infusion of another channel may have begun days before the window. No event that is shown lies in what
    is so old: its run of the clock is -1, before all of them.
    """
    names = [row["infusion_id"] for row in infusions]
    begun = min((row["started_at"] for row in infusions), default=read_from)
    months = _listed(_months(min(begun, read_from), read_from))
    return fetch(
        con,
        "select *, -1 as clock_run from store_segments "
        f"where month in ({months}) and pump_id = ? and started_at < ? "
        "and infusion_id in (select unnest(?::varchar[])) union all by name "
        "select * from trace_segments where infusion_id in (select unnest(?::varchar[])) "
        "order by channel, clock_run, started_at, ended_at, infusion_id, state",
        [pump_id, read_from, names, names],
    )
