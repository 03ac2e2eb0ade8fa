"""Bring the tables built from events up to date in the store, for the pumps that new events touch.

A pump that is touched is rebuilt from its whole log, so the result equals a full build row for row whatever
arrived: a late file, a mended clock, a counter whose order changes. Pumps that are not touched are not read
beyond their stored rows, and months in which nothing changes are not written.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Protocol

import duckdb
import pyarrow as pa

from dripledger.infusions.build import RESULTS, build, make_settings, make_source_records
from dripledger.schema import TABLES
from dripledger.site import SiteSettings

__all__ = ["update"]

_ROWS_A_BATCH = 50_000


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
        Table, or name of a relation in `con`, with the columns `facility` and `pump_id`.

    Returns
    -------
    list of str
        The months written, of any table, sorted.
    """
    written: set[str] = set()
    if isinstance(touched, pa.Table):
        con.register("_touched", touched)
        touched = "_touched"
    con.execute(
        f"create or replace temp table touched_pumps as select distinct facility, pump_id from {touched}"
    )
    _read_declared(writer, con)
    writer.base.attach(con, list(RESULTS), "stored_")
    make_settings(con, settings)
    with _set_aside(con, ("events", *RESULTS)) as aside:
        con.execute(
            f'create temp view events as select * from "{aside["events"]}" '
            "semi join touched_pumps using (facility, pump_id)"
        )
        try:
            build(con)
            for name in RESULTS:
                written.update(_write(writer, con, name))
        finally:
            con.execute("drop view if exists events")
            for name in RESULTS:
                con.execute(f'drop table if exists "{name}"')
                con.execute(f'drop view if exists "stored_{name}"')
            con.execute("drop table if exists touched_pumps")
            if touched == "_touched":
                con.unregister("_touched")
    return sorted(written)


def _read_declared(writer: _Writer, con: duckdb.DuckDBPyConnection) -> None:
    """Read what each source can log; a source that declares clearing anew touches all its pumps."""
    writer.current().attach(con, ["ingests"], "declared_")
    writer.base.attach(con, ["ingests"], "stored_")
    make_source_records(con, "declared_ingests")
    make_source_records(con, "stored_ingests", "records_before")
    clearing = "select distinct source_name from {} where kind in ('alarm_cleared', 'all')"
    before, after = clearing.format("records_before"), clearing.format("source_records")
    con.execute(
        "insert into touched_pumps select distinct facility, pump_id from events where source_name in ("
        f"(({before}) except ({after})) union (({after}) except ({before}))) "
        "and source_name in (select source_name from records_before) "
        "except select facility, pump_id from touched_pumps"
    )
    con.execute("drop table records_before")
    con.execute("drop view stored_ingests")
    con.execute("drop view declared_ingests")


def _write(writer: _Writer, con: duckdb.DuckDBPyConnection, name: str) -> list[str]:
    """Replace the months of one table in which a touched pump's rows differ; return them."""
    columns = ", ".join(f'"{column}"' for column in TABLES[name].names)
    stored = f'select {columns} from "stored_{name}"'
    before = f"{stored} semi join touched_pumps using (facility, pump_id)"
    after = f'select {columns} from "{name}"'
    months = [
        row[0]
        for row in con.execute(
            f"select distinct month from ((({before}) except all ({after})) "
            f"union all (({after}) except all ({before}))) order by month"
        ).fetchall()
    ]
    if not months:
        return []
    listed = ", ".join(f"'{month}'" for month in months)
    reader = con.sql(
        f"select * from ({stored} anti join touched_pumps using (facility, pump_id) union all {after}) "
        f"where month in ({listed}) order by month, {', '.join(TABLES[name].key)}"
    ).to_arrow_reader(_ROWS_A_BATCH)
    writer.replace(name, months, reader)
    return months


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
