"""Rows of every table for tests of the store: invented, and different in every column."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from dripledger.engine import connect
from dripledger.schema import TABLES, ColumnType, Table
from dripledger.store import Ledger, Snapshot

# microseconds that neither milliseconds nor a float of seconds can hold
INSTANT = dt.datetime(2026, 10, 25, 1, 30, 0, 123457, tzinfo=dt.UTC)
CLOCK = dt.datetime(2026, 10, 25, 3, 30, 0, 987653)


def value(kind: ColumnType, number: int) -> Any:
    """One value of a type, another for every number."""
    step = dt.timedelta(seconds=number)
    return {
        ColumnType.TEXT: f"it's ü {number}",
        ColumnType.INTEGER: 2**62 + number,
        ColumnType.REAL: 0.1 + number,
        ColumnType.DECIMAL: Decimal("1234567890123456789.000000001") + number,
        ColumnType.BOOLEAN: number % 2 == 0,
        ColumnType.INSTANT: INSTANT + step,
        ColumnType.CLOCK: CLOCK + step,
        ColumnType.DATE: dt.date(2102, 1, 1) + dt.timedelta(days=number),
        ColumnType.TEXT_LIST: [f"a{number}", "b,'c"],
    }[kind]


def record(table: Table, number: int, **given: Any) -> dict[str, Any]:
    """One row as a mapping."""
    row = {column.name: value(column.type, number) for column in table.columns}
    if table.partition:
        row[table.partition] = "2026-10"
    return {**row, **given}


def rows(table: str, numbers: Sequence[int], **given: Any) -> pa.Table:
    """Rows of one table as Arrow."""
    declared = TABLES[table]
    return pa.Table.from_pylist(
        [record(declared, number, **given) for number in numbers], schema=declared.arrow_schema
    )


def balanced(path: str = "a.csv", **given: Any) -> pa.Table:
    """One balanced row of `ingests`."""
    counts = {"rows_read": 10, "events_kept": 6, "duplicates": 1, "quarantined": 2, "rows_ignored": 1}
    return rows("ingests", [1], path=path, **{**counts, **given})


def commit_events(
    root: Path,
    numbers: Sequence[int],
    *,
    month: str = "2026-10",
    at: dt.datetime | None = None,
    note: str = "",
) -> int:
    """Append events and commit; return the store version."""
    with Ledger.open_or_create(root).write(at=at) as writer:
        writer.append("events", rows("events", numbers, month=month))
        return writer.commit(ingest_id="i", declarations=[], note=note)


def fetch(snapshot: Snapshot, sql: str) -> list[tuple[Any, ...]]:
    """Answer SQL over the attached tables of a snapshot."""
    con: duckdb.DuckDBPyConnection = connect()
    try:
        snapshot.attach(con)
        return con.execute(sql).fetchall()
    finally:
        con.close()


def count(snapshot: Snapshot, table: str = "events") -> int:
    """Rows of one table."""
    return int(fetch(snapshot, f"select count(*) from {table}")[0][0])
