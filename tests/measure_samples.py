"""Small stores in memory: rows as drawn tables, and what is not drawn has a plain value."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import duckdb
import pyarrow as pa

from dripledger.measures import (
    ROWS,
    STORE_TABLES,
    Month,
    calculate,
    check_groups,
    prepare,
    relations_of,
    tabulate,
)
from dripledger.measures.months import as_months
from dripledger.schema import TABLES
from dripledger.site import Site, SiteSettings
from tests.database import connection

START = "2026-10-05 08:00"

DEFAULTS: dict[str, dict[str, Any]] = {
    "infusions": {
        "facility": "h", "pump_id": "P1", "channel": "A", "started_at": START, "start_kind": "start",
        "end_kind": "stopped", "library_use": "limited", "care_area": "icu", "entry": "morphine",
        "use_context": "clinical", "source_name": "wards", "pump_type": "syringe", "false_start": False,
        "uncertain": False, "month": "2026-10",
    },
    "segments": {
        "facility": "h", "pump_id": "P1", "channel": "A", "started_at": START, "state": "running",
        "library_use": "limited", "care_area": "icu", "entry": "morphine", "month": "2026-10",
        "volume_ml": "1",
    },
    "events": {
        "kind": "key_pressed", "facility": "h", "pump_id": "P1", "channel": "A", "occurred_at": START,
        "device_time": START, "sequence_reliable": True, "record_place": 0, "values_digest": 0,
        "source_file_sha256": "f", "source_name": "wards", "ingest_id": "1", "clock_offset_s": 0.0,
        "time_quality": "exact", "time_resolution_s": 1.0, "implausible": [], "unmapped": [],
        "month": "2026-10",
    },
    "quarantined": {"source_file_sha256": "f", "source_name": "wards", "ingest_id": "1", "record_md5": "",
                    "reasons": ["no_number"], "explanation": "", "facility": "h", "pump_id": "P1"},
    "ignored": {
        "source_file_sha256": "f", "source_name": "wards", "ingest_id": "1", "facility": "h", "pump_id": "P1",
        "sequence_reliable": True, "reason": "sign of life", "month": "2026-10",
    },
    "ingests": {
        "ingest_id": "1", "path": "a.csv", "source_file_sha256": "f", "source_name": "wards", "facility": "h",
        "rows_read": 0, "events_kept": 0, "duplicates": 0, "quarantined": 0, "rows_ignored": 0, "events": 0,
        "ingested_at": "2026-11-02 06:00", "mapping_sha256": "", "records_json": '["all"]',
    },
    "programmings": {
        "facility": "h", "pump_id": "P1", "channel": "A", "at": START, "phase": "start", "care_area": "icu",
        "entry": "morphine", "use_context": "clinical", "source_name": "wards", "month": "2026-10",
    },
    "attempts": {
        "facility": "h", "pump_id": "P1", "channel": "A", "care_area": "icu", "entry": "morphine",
        "first_alert_at": START, "last_alert_at": START, "decided_at": "2026-10-05 08:00:05", "alerts": 1,
        "met_soft": True, "met_hard": False, "limit_side": "high", "limit_quantity": "dose_rate",
        "outcome": "overridden", "reversed": False, "phase": "start", "use_context": "clinical",
        "source_name": "wards", "month": "2026-10",
    },
    "alarms": {
        "facility": "h", "pump_id": "P1", "channel": "A", "care_area": "icu", "raised_at": START,
        "alarm_kind": "occlusion", "alarm_priority": "high", "raw_count": 1, "use_context": "clinical",
        "source_name": "wards", "month": "2026-10",
    },
    "libraries": {"library_version": "7", "care_area": "icu", "entry": "morphine",
                  "limit_quantity": "dose_rate"},
}  # fmt: skip


def rows(drawn: str) -> list[dict[str, str]]:
    """Read a drawn table: cells between bars; an empty cell takes the plain value, '-' is null, '()' is an
    empty text."""
    lines = [line.strip().strip("|").split("|") for line in drawn.strip().splitlines() if line.strip()]
    names = [cell.strip() for cell in lines[0]]
    return [dict(zip(names, (cell.strip() for cell in line), strict=True)) for line in lines[1:]]


def table(name: str, drawn: str | list[dict[str, Any]] = "") -> pa.Table:
    """Make a table of the ledger from a drawn one."""
    declared = TABLES[name]
    given = rows(drawn) if isinstance(drawn, str) and drawn else list(drawn or [])
    out: dict[str, list[Any]] = {column: [] for column in declared.names}
    for number, row in enumerate(given, start=1):
        unknown = set(row) - set(out)
        assert not unknown, f"{name} has no column {unknown}"
        for column in declared.columns:
            value = row.get(column.name, "")
            if value == "":
                value = DEFAULTS[name].get(column.name, _numbered(column.name, number))
            out[column.name].append(
                {"-": None, "()": ""}.get(value, value) if isinstance(value, str) else value
            )
    fields = []
    for column in declared.columns:
        values = out[column.name]
        kind = column.type.arrow
        if pa.types.is_timestamp(kind):
            zone = UTC if kind.tz else None
            values = [v if v is None else datetime.fromisoformat(v).replace(tzinfo=zone) for v in values]
        elif pa.types.is_boolean(kind):
            values = [v if v is None or isinstance(v, bool) else v == "yes" for v in values]
        elif pa.types.is_list(kind):
            values = [v if v is None or isinstance(v, list) else v.split() for v in values]
        elif pa.types.is_integer(kind):
            values = [v if v is None else int(v) for v in values]
        elif pa.types.is_floating(kind):
            values = [v if v is None else float(v) for v in values]
        elif pa.types.is_decimal(kind):
            values = pa.array(values, pa.string()).cast(kind)
        fields.append(values if isinstance(values, pa.Array) else pa.array(values, kind))
    return pa.table(dict(zip(declared.names, fields, strict=True)))


def _numbered(column: str, number: int) -> Any:
    if column in ("event_id", "infusion_id") and number:
        return f"{column[0]}{number}"
    if column in ("source_record",):
        return number
    return None


def store(**drawn: str | list[dict[str, Any]]) -> duckdb.DuckDBPyConnection:
    """Open a connection with all tables that measures read; those not given are empty (ingests: one row)."""
    con = connection()
    drawn.setdefault("ingests", "| path |\n| a.csv |")
    for name in STORE_TABLES:
        con.register(f"{name}_given", table(name, drawn.get(name, "")))
        con.execute(f'create temp table "{name}" as select * from "{name}_given"')
        con.unregister(f"{name}_given")
    return con


def site(
    *,
    zone: str = "UTC",
    areas: tuple[str, ...] = ("icu",),
    lists: dict[str, Any] | None = None,
    **settings: Any,
) -> Site:
    """Make a site without a folder."""
    given = {
        "format": 1,
        "facility": "h",
        "time_zone": zone,
        "care_areas": {area: {} for area in areas},
        **settings,
    }
    return Site(root=Path("nowhere"), settings=SiteSettings.model_validate(given), **(lists or {}))


#: From the fourth kind of fact on, all measures at once cost less.
_APART: Final = 3


class Figures:
    """The measures of a drawn store, each calculated by itself when a test asks for it.

    All of them at once take four times as long. That a measure by itself is what it is among all:
    `test_measures_alone.py`.
    """

    def __init__(
        self,
        con: duckdb.DuckDBPyConnection,
        own: Site,
        months: Sequence[str | Month],
        by: Iterable[str] = ("care_area",),
    ) -> None:
        self._con = con
        self._site = own
        self._months = as_months(months)
        self._by = check_groups(by)
        self._made: dict[str, list[dict[str, Any]]] = {}
        self._kinds: set[str] = set()
        self._all: list[dict[str, Any]] | None = None

    def rows(self, row: str) -> list[dict[str, Any]]:
        """Return the rows of one measure or part of one."""
        measure, _ = ROWS[row]
        if self._all is None and measure.built and measure.id not in self._made:
            self._kinds |= relations_of([measure.id])
            if len(self._kinds) > len(relations_of([])) + _APART:
                return self.every(row)
            prepare(self._con, self._site, self._months, relations_of([measure.id]))
            made = tabulate(self._con, self._site, self._months, self._by, [measure.id])
            self._made[measure.id] = made.to_pylist()
        made_rows = self._made.get(measure.id) if self._all is None else None
        return self.every(row) if made_rows is None else [one for one in made_rows if one["measure"] == row]

    def every(self, row: str) -> list[dict[str, Any]]:
        """Return the rows of one measure as they stand in the table of all."""
        if self._all is None:
            self._all = calculate(self._con, self._site, None, self._months, self._by).to_pylist()
        return [one for one in self._all if one["measure"] == row]


def cells(found: pa.Table | Figures, measure: str, **groups: str) -> list[dict[str, Any]]:
    """Return the rows of one measure whose groups have these values."""

    def chosen(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
        return [
            row
            for row in rows
            if row["measure"] == measure and all(row[name] == value for name, value in groups.items())
        ]

    if not isinstance(found, Figures):
        return chosen(found.to_pylist())
    # A cell in which the measure has no fact stands only beside measures that have one there.
    return chosen(found.rows(measure)) or chosen(found.every(measure))


def cell(found: pa.Table | Figures, measure: str, **groups: str) -> dict[str, Any]:
    """Return the only such row."""
    (row,) = cells(found, measure, **groups)
    return row
