"""Drawn tables for limit alerts and alarms: a log in, `attempts`, `programmings` or `alarms` out.

As in `drawn.py`, with two more headings in a log: ``limit`` is ``kind side quantity value unit`` in one cell (a
dot for what is not logged) and ``tried`` is `entered_value`. Numbers may be written as fractions: ``20/12``.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

import pyarrow as pa
import pytest
from tests.generative import oracle
from tests.generative.oracle_alarms import rebuild_second_half
from tests.spec.drawn import clock, connection_with, events_of, show
from tests.spec.together import ALONE, SQL, Tables, Together

from dripledger.engine import sql_folder
from dripledger.site import Thresholds

Row = dict[str, Any]
Records = Mapping[str, Sequence[str]]

RELATIONS = ("programmings", "attempts", "alarms")
#: Columns beside the listed ones that the measures need; drawn, but compared only where they are built.
BESIDE = {"last_alert_at", "ended_at"}
_LIMIT = ("limit_kind", "limit_side", "limit_quantity", "limit_value", "limit_unit")
_ORDER = {
    "programmings": ("at", "programming_id"),
    "attempts": ("first_alert_at", "channel", "attempt_id"),
    "alarms": ("raised_at", "channel", "alarm_id"),
}


def cells(text: str) -> tuple[list[str], list[list[str]]]:
    """Split a drawn table, with a bar at both ends of its lines, into its header and its rows of stripped cells."""
    lines = [line.strip().removeprefix("|").removesuffix("|") for line in text.splitlines() if line.strip()]
    header, *rows = [[cell.strip() for cell in line.split("|")] for line in lines]
    for row in rows:
        if len(row) != len(header):
            raise ValueError(f"{len(row)} cells under {len(header)} headings: {row}")
    return header, rows


def sql_is_there() -> bool:
    """Whether the product's queries for the three relations exist."""
    return all((sql_folder() / "infusions" / f"{name}.sql").is_file() for name in RELATIONS)


def log_of(text: str) -> list[Row]:
    """Read a drawn log."""
    header, rows = cells(text)
    wide = []
    for row in rows:
        drawn = dict(zip(header, row, strict=True))
        if "tried" in drawn:
            drawn["entered_value"] = drawn.pop("tried")
        if "limit" in drawn:
            parts = drawn.pop("limit").split()
            parts = parts or ["."] * len(_LIMIT)
            drawn |= {name: "" if part == "." else part for name, part in zip(_LIMIT, parts, strict=True)}
        wide.append(drawn | {"facility": "Linden"})
    lines = [" | ".join(wide[0]), *(" | ".join(row.values()) for row in wide)]
    return events_of("\n".join(lines))


def by_oracle(events: list[Row], records: Records) -> Tables:
    """Read with the oracle."""
    TOGETHER.note(events, (records,))
    segments, infusions = oracle.rebuild(events)
    return rebuild_second_half(
        events, segments, infusions, {name: set(kinds) for name, kinds in records.items()}
    )


def by_sql(events: list[Row], records: Records) -> Tables:
    """Read with the product's SQL."""
    from dripledger.infusions import build

    con = connection_with(events, {}, Thresholds())
    try:
        rows = [{"source_name": name, "kind": kind} for name, kinds in records.items() for kind in kinds]
        schema = pa.schema([("source_name", pa.string()), ("kind", pa.string())])
        con.register("_records", pa.Table.from_pylist(rows, schema=schema))
        con.execute("create or replace temp table source_records as select * from _records")
        con.unregister("_records")
        build(con)
        names = (*RELATIONS, "segments", "infusions")
        return {name: con.sql(f"select * from {name}").to_arrow_table().to_pylist() for name in names}
    finally:
        con.close()


TOGETHER = Together(lambda events, needs: by_sql(events, *needs))


READERS: dict[str, Callable[[list[Row], Records], Tables]] = {
    "oracle": by_oracle,
    SQL: lambda events, records: TOGETHER.read(events, (records,)),
    ALONE: by_sql,
}
#: Put a whole test module on both engines: `pytestmark = BOTH_ENGINES`, and each test takes `engine`.
_NO_SQL = pytest.mark.skipif(
    not sql_is_there(), reason="sql/infusions/ has no programmings, attempts, alarms"
)
BOTH_ENGINES = pytest.mark.parametrize(
    "engine",
    [
        "oracle",
        pytest.param(SQL, marks=_NO_SQL),
        pytest.param(ALONE, marks=[_NO_SQL, pytest.mark.slow]),
    ],
)


@dataclass(frozen=True)
class Found:
    """What one engine read from a drawn log."""

    engine: str
    tables: Tables

    def attempts(self, expected: str) -> None:
        """Compare with a drawn table: exactly these rows in order of time, the drawn columns only."""
        self._compare("attempts", expected)

    def programmings(self, expected: str) -> None:
        """Compare with a drawn table: exactly these rows in order of time, the drawn columns only."""
        self._compare("programmings", expected)

    def alarms(self, expected: str) -> None:
        """Compare with a drawn table: exactly these rows in order of time, the drawn columns only."""
        self._compare("alarms", expected)

    def _compare(self, table: str, text: str) -> None:
        header, rows = cells(text)
        found = sorted(self.tables[table], key=lambda r: tuple(str(r[c]) for c in _ORDER[table]))
        kept = [k for k, name in enumerate(header) if name not in BESIDE or all(name in row for row in found)]
        names = [header[k] for k in kept]
        wanted = [[_plain(row[k], header[k]) for k in kept] for row in rows]
        got = [[show(row[name]) for name in names] for row in found]
        if wanted == got:
            return
        difference = "\n".join(
            line
            for line in difflib.ndiff(
                [" | ".join(r) for r in [names, *wanted]], [" | ".join(r) for r in [names, *got]]
            )
            if line[0] != "?"
        )
        raise AssertionError(f"{table} by {self.engine} (- drawn, + found):\n{difference}")


def _plain(cell: str, column: str) -> str:
    """Write an expected cell the way `show` writes what was found."""
    if cell == "":
        return ""
    if column == "at" or column.endswith("_at"):
        value: datetime | float = clock(cell)
        return show(value)
    try:
        return show(float(Fraction(cell.replace(" ", ""))))
    except ValueError:
        return cell


def read(engine: str, log: str, records: Records | None = None) -> Found:
    """Read a drawn log by one engine; `records` says what each source can log (default: everything)."""
    return Found(engine, READERS[engine](log_of(log), records or {"wards": ["all"]}))
