"""Bring the tables built from events up to date in the store, for the pumps that new events touch.

The result equals a full build row for row, whatever arrived: a late file, a mended clock, a counter whose
order changes. A pump that is touched is rebuilt from a moment at which nothing of it was open, or from its
whole log (`resume`). Pumps that are not touched are not read beyond their stored rows, and months in which
nothing changes are not written.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Protocol

import duckdb
import pyarrow as pa

from dripledger.infusions.build import (
    RESULTS,
    SMALL_EVENTS,
    build,
    event_columns,
    make_ignored,
    make_settings,
    make_source_records,
)
from dripledger.infusions.resume import choose
from dripledger.schema import TABLES
from dripledger.site import SiteSettings

__all__ = ["update"]

_ROWS_A_BATCH = 50_000
#: Events of one build: its steps stand in memory beside each other. No pump is parted.
_EVENTS_A_BUILD = 2_000_000
#: The instant at which a row begins: what a rebuild that resumes replaces goes by it.
_BEGINS = {
    "segments": "started_at",
    "infusions": "started_at",
    "programmings": "at",
    "attempts": "first_alert_at",
    "alarms": "raised_at",
}
_INPUTS = ("events", "ignored")
_EVER = "timestamptz '-infinity'"


class _Snapshot(Protocol):
    """What `update` needs of a snapshot of the store."""

    def attach(
        self, con: duckdb.DuckDBPyConnection, tables: Sequence[str] | None = None, prefix: str = ""
    ) -> None:
        """Make a view named prefix + table for each table."""


class _Writer(Protocol):
    """What `update` needs of the store's writer."""

    @property
    def base(self) -> _Snapshot:
        """The version before the one being written."""

    def current(self) -> _Snapshot:
        """Return what is written so far: `ingests` tells what each source can log."""

    def replace(
        self, table: str, partitions: Sequence[str] | None, data: pa.Table | pa.RecordBatchReader
    ) -> None:
        """Put rows in the place of those of the partitions."""


def update(
    writer: _Writer,
    con: duckdb.DuckDBPyConnection,
    settings: SiteSettings,
    touched: pa.Table | str,
) -> list[str]:
    """Rebuild the infusions of the pumps that were touched and write the months that change.

    Parameters
    ----------
    writer
        The store's writer; its base holds the rows as they were.
    con
        Connection in which `events` stands as it is after this write.
    settings
        The site's settings.
    touched
        Table, or name of a relation in `con`, with the columns `facility` and `pump_id`, and
        `first_touched_at`: the first instant of a pump's log at which something is new or at another time.
        Null, or without that column: all of it may be, as where something is another or gone.

    Returns
    -------
    list of str
        The months written, of any table, sorted.
    """
    if isinstance(touched, pa.Table):
        con.register("_touched", touched)
        touched = "_touched"
    first = "first_touched_at" in con.sql(f"select * from {touched} limit 0").columns
    moment = (
        "case when count(*) = count(first_touched_at) then min(first_touched_at) end"
        if first
        else "cast(null as timestamptz)"
    )
    con.execute(
        "create or replace temp table touched_pumps as "
        f"select facility, pump_id, {moment} as first_touched_at from {touched} group by facility, pump_id"
    )
    try:
        _read_declared(writer, con)
        writer.base.attach(con, list(RESULTS), "stored_")
        make_settings(con, settings)
        make_ignored(con)
        choose(con)
        for name in RESULTS:
            con.execute(f'create or replace temp table "rebuilt_{name}" as {TABLES[name].empty_select()}')
        _rebuild(con, "resumed")
        if _find_unlike(con):
            unlike = "(facility, pump_id) in (select (facility, pump_id) from resume_unlike)"
            con.execute(
                f"update resumed set read_from = null, check_from = null, replace_from = null where {unlike}"
            )
            for name in RESULTS:
                con.execute(f'delete from "rebuilt_{name}" where {unlike}')
            _rebuild(con, "resume_unlike")
        written = {month for name in RESULTS for month in _write(writer, con, name)}
    finally:
        for name in RESULTS:
            con.execute(f'drop table if exists "rebuilt_{name}"')
            con.execute(f'drop view if exists "stored_{name}"')
        con.execute("drop table if exists touched_pumps")
        con.execute("drop table if exists resumed")
        con.execute("drop table if exists resume_unlike")
        if touched == "_touched":
            con.unregister("_touched")
    return sorted(written)


def _rebuild(con: duckdb.DuckDBPyConnection, pumps: str) -> None:
    """Build of the pumps of a relation what they logged since `read_from`; add it to ``rebuilt_...``."""
    con.execute(
        "create or replace temp table resume_shares as select facility, pump_id, read_from, events, "
        # those that are read whole stand together, so that the others can pass over months long ago
        "cast(sum(events) over (order by read_from is null, facility, pump_id) as bigint) "
        f"// {_EVENTS_A_BUILD} as share from ("
        f"select r.facility, r.pump_id, r.read_from, count(e.event_id) as events from {pumps} r "
        "left join events e on e.facility = r.facility and e.pump_id = r.pump_id "
        "and (r.read_from is null or e.occurred_at >= r.read_from) group by all)"
    )
    shares = con.execute(
        "select share, case when bool_and(read_from is not null) then min(read_from) end, "
        "sum(events) from resume_shares group by share order by share"
    ).fetchall()
    for share, earliest, events in shares:
        # said as a constant, it lets the engine pass over files and row groups
        lately = "" if earliest is None else f" and e.occurred_at >= timestamptz '{earliest.isoformat()}'"
        _build_share(
            con,
            "from {} e inner join resume_shares r "
            "on e.facility = r.facility and e.pump_id = r.pump_id "
            f"where r.share = {share} and (r.read_from is null or e.occurred_at >= r.read_from){lately}",
            is_small=events <= SMALL_EVENTS,
        )
    con.execute("drop table resume_shares")


def _build_share(con: duckdb.DuckDBPyConnection, rows: str, *, is_small: bool) -> None:
    # a few events are found in the store once; many are not laid down a second time
    kinds = {"events": "table" if is_small else "view", "ignored": "view"}
    columns = {"events": ", ".join(f"e.{name}" for name in event_columns()), "ignored": "e.*"}
    with _set_aside(con, (*_INPUTS, *RESULTS)) as aside:
        for name in _INPUTS:
            con.execute(
                f'create temp {kinds[name]} "{name}" as select {columns[name]} {rows.format(aside[name])}'
            )
        try:
            build(con)
            for name in RESULTS:
                con.execute(f'insert into "rebuilt_{name}" select * from "{name}"')
        finally:
            for name in _INPUTS:
                con.execute(f'drop {kinds[name]} if exists "{name}"')
            for name in RESULTS:
                con.execute(f'drop table if exists "{name}"')


def _find_unlike(con: duckdb.DuckDBPyConnection) -> int:
    """Make `resume_unlike`: the pumps that did not come out as they stand where they are compared."""
    ((first,),) = con.execute("select min(check_from) from resumed").fetchall()
    if first is None:
        return 0
    unlike = []
    for name in RESULTS:
        columns = ", ".join(f't."{column}"' for column in TABLES[name].names)
        rows = (
            f'select {columns} from "{{}}_{name}" t semi join resumed r on r.facility = t.facility '
            f'and r.pump_id = t.pump_id and t."{_BEGINS[name]}" >= r.check_from '
            f'and t."{_BEGINS[name]}" < r.replace_from where true{_since(first)}'
        )
        unlike.append(
            "select facility, pump_id from "
            f"({_differing(name, rows.format('stored'), rows.format('rebuilt'))})"
        )
    con.execute(
        "create or replace temp table resume_unlike as "
        f"select facility, pump_id, cast(null as timestamptz) as read_from from ({' union '.join(unlike)})"
    )
    ((found,),) = con.execute("select count(*) from resume_unlike").fetchall()
    return int(found)


def _read_declared(writer: _Writer, con: duckdb.DuckDBPyConnection) -> None:
    """Read what each source can log; a source that declares clearing anew touches all its pumps."""
    writer.current().attach(con, ["ingests"], "declared_")
    writer.base.attach(con, ["ingests"], "stored_")
    make_source_records(con, "declared_ingests")
    make_source_records(con, "stored_ingests", "records_before")
    clearing = "select distinct source_name from {} where kind in ('alarm_cleared', 'all')"
    before, after = clearing.format("records_before"), clearing.format("source_records")
    con.execute(
        "create or replace temp table declared_anew as select distinct facility, pump_id from events where "
        f"source_name in ((({before}) except ({after})) union (({after}) except ({before}))) "
        "and source_name in (select source_name from records_before)"
    )
    con.execute(
        "delete from touched_pumps where (facility, pump_id) in "
        "(select (facility, pump_id) from declared_anew)"
    )
    con.execute("insert into touched_pumps select facility, pump_id, null from declared_anew")
    con.execute("drop table declared_anew")
    con.execute("drop table records_before")
    con.execute("drop view stored_ingests")
    con.execute("drop view declared_ingests")


def _write(writer: _Writer, con: duckdb.DuckDBPyConnection, name: str) -> list[str]:
    """Replace the months of one table in which the rebuilt rows differ; return them."""
    columns = ", ".join(f't."{column}"' for column in TABLES[name].names)
    replaced = (
        "r.facility = t.facility and r.pump_id = t.pump_id "
        f'and t."{_BEGINS[name]}" >= coalesce(r.replace_from, {_EVER})'
    )
    ((first,),) = con.execute(
        "select case when bool_and(replace_from is not null) then min(replace_from) end from resumed"
    ).fetchall()
    before = (
        f'select {columns} from "stored_{name}" t semi join resumed r on {replaced} where true{_since(first)}'
    )
    after = f'select {columns} from "rebuilt_{name}" t semi join resumed r on {replaced}'
    months = [
        row[0]
        for row in con.execute(
            f"select distinct month from ({_differing(name, before, after)}) order by month"
        ).fetchall()
    ]
    if not months:
        return []
    listed = ", ".join(f"'{month}'" for month in months)
    reader = con.sql(
        f'select * from (select {columns} from "stored_{name}" t anti join resumed r on {replaced} '
        f"union all {after}) where month in ({listed}) order by month, {', '.join(TABLES[name].key)}"
    ).to_arrow_reader(_ROWS_A_BATCH)
    writer.replace(name, months, reader)
    return months


def _differing(name: str, before: str, after: str) -> str:
    """Return the SELECT of the rows of a table that do not stand equally often in both of two queries.

    By one grouping: ``except all`` both ways would number all rows twice and join them twice.
    """
    columns = ", ".join(f'"{column}"' for column in TABLES[name].names)
    return (
        f"select {columns} from (select *, 1 as more from ({before}) union all "
        f"select *, -1 as more from ({after})) group by {columns} having sum(more) <> 0"
    )


def _since(first: datetime | None) -> str:
    """Return the condition by which months before an instant are not read: in UTC, as the months are."""
    return "" if first is None else f" and t.month >= '{first.astimezone(UTC):%Y-%m}'"


@contextmanager
def _set_aside(con: duckdb.DuckDBPyConnection, names: Sequence[str]) -> Iterator[dict[str, str]]:
    """Give relations another name for a while; yield old name -> new name of those that stood."""
    kinds = dict(
        con.execute(
            "select table_name, table_type from information_schema.tables where table_name in "
            f"({', '.join('?' for _ in names)})",
            list(names),
        ).fetchall()
    )
    words = {name: "view" if kind == "VIEW" else "table" for name, kind in kinds.items()}
    moved = {name: f"aside_{name}" for name in names if name in kinds}
    for name, other in moved.items():
        con.execute(f'alter {words[name]} "{name}" rename to "{other}"')
    try:
        yield moved
    finally:
        for name, other in moved.items():
            con.execute(f'alter {words[name]} "{other}" rename to "{name}"')
