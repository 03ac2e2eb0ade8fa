"""Drawn tables: a log as text in, `segments` or `infusions` as text out, and what differs shown line by line.

A table is lines of cells between bars, the header first; a blank cell is null, ``*`` in an expected cell is
anything. Times are ``08:00``, ``08:00:30`` or ``+1 08:00`` (the next day) on one fixed day, UTC.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

import duckdb
import pyarrow as pa
from tests.generative import oracle
from tests.spec.together import ALONE, SQL, Needs, Tables, Together

from dripledger.engine import connect
from dripledger.schema import TABLES, ColumnType
from dripledger.site import Thresholds

MIDNIGHT = datetime(2026, 3, 10, tzinfo=UTC)
Row = dict[str, Any]
Engine = Callable[[list[Row], Mapping[str, str], Thresholds], tuple[list[Row], list[Row]]]


def cells(text: str) -> tuple[list[str], list[list[str]]]:
    """Split a drawn table into its header and its rows of stripped cells."""
    lines = [line.strip() for line in text.strip().splitlines()]
    rows = [[cell.strip() for cell in line.split("|")] for line in lines if line.strip(" -|")]
    header = rows[0]
    for row in rows[1:]:
        if len(row) != len(header):
            raise ValueError(f"{len(row)} cells under {len(header)} headings: {row}")
    return header, rows[1:]


def clock(text: str) -> datetime:
    """Read ``08:00``, ``08:00:30.5``, ``+1 08:00`` or a full ISO date and time, as UTC."""
    if "T" in text:
        return datetime.fromisoformat(text).astimezone(UTC)
    day, _, time = text.rpartition(" ")
    hours, minutes, *seconds = time.split(":")
    us = int(Fraction(seconds[0]) * 1_000_000) if seconds else 0
    return MIDNIGHT + timedelta(days=int(day or 0), hours=int(hours), minutes=int(minutes), microseconds=us)


def _read(text: str, kind: ColumnType) -> Any:
    if text == "":
        return [] if kind is ColumnType.TEXT_LIST else None
    if kind is ColumnType.INTEGER:
        return int(text)
    if kind in (ColumnType.REAL, ColumnType.DECIMAL):
        return float(Fraction(text.replace(" ", "")))
    if kind is ColumnType.BOOLEAN:
        return {"yes": True, "no": False}[text]
    if kind is ColumnType.INSTANT:
        return clock(text)
    if kind is ColumnType.CLOCK:
        return clock(text).replace(tzinfo=None)
    return text.split(",") if kind is ColumnType.TEXT_LIST else text


def events_of(text: str) -> list[Row]:
    """Read a drawn table of events; what is not drawn gets a plain default.

    Headings are canonical columns; ``at`` is `occurred_at` and `device_time` together. Without a heading
    `channel` all is on channel A. A drawn `sequence` is a reliable one unless `sequence_reliable` says no.
    """
    header, rows = cells(text)
    types = {column.name: column.type for column in TABLES["events"].columns}
    events = []
    for number, row in enumerate(rows, start=1):
        drawn = dict(zip(header, row, strict=True))
        event = {name: ([] if kind is ColumnType.TEXT_LIST else None) for name, kind in types.items()}
        at = clock(drawn.pop("at"))
        event |= {
            "event_id": f"e{number}", "facility": "Linden", "pump_id": "P1", "channel": "A",
            "occurred_at": at, "device_time": at.replace(tzinfo=None), "record_place": 0,
            "values_digest": number, "source_file_sha256": "f1", "source_name": "wards",
            "source_record": number, "ingest_id": "i1", "clock_offset_s": 0.0, "time_quality": "exact",
            "time_resolution_s": 1.0,
        }  # fmt: skip
        for name, value in drawn.items():
            event[name] = _read(value, types[name])
        if event["channel"] is None:
            event["channel"] = ""
        if event["sequence_reliable"] is None:
            event["sequence_reliable"] = event["sequence"] is not None
        event["kind_logged"] = event["kind"]
        event["month"] = event["device_time"].strftime("%Y-%m")
        events.append(event)
    return events


def connection_with(
    events: Sequence[Row],
    contexts: Mapping[str, str],
    thresholds: Thresholds,
    quarantined: Sequence[Row] = (),
) -> duckdb.DuckDBPyConnection:
    """Open a connection with the relations that the build of infusions reads."""
    con = connect(threads=1)
    for name, rows in (("events", events), ("quarantined", quarantined)):
        schema = TABLES[name].arrow_schema
        con.register(f"_{name}", pa.Table.from_pylist(list(rows), schema=schema))
        con.execute(f"create temp table {name} as select * from _{name}")
        con.unregister(f"_{name}")
    windows = (
        "continue_after_stop_s",
        "continue_after_pause_s",
        "no_gap_s",
        "keep_open_wait_s",
        "false_start_s",
    )
    con.execute(
        "create temp table settings as select "
        + ", ".join(f"cast({getattr(thresholds, name)} as double) as {name}" for name in windows)
    )
    con.execute("create temp table area_contexts (care_area varchar, use_context varchar)")
    for area, context in contexts.items():
        con.execute("insert into area_contexts values (?, ?)", [area, context])
    return con


def _build(events: list[Row], needs: Needs) -> Tables:
    from dripledger.infusions import build

    contexts, thresholds = needs
    con = connection_with(events, contexts, thresholds)
    try:
        build(con, ("segments", "infusions"))
        order = "facility, pump_id, channel, started_at"
        return {
            "segments": con.sql(f"select * from segments order by {order}, ended_at")
            .to_arrow_table()
            .to_pylist(),
            "infusions": con.sql(f"select * from infusions order by {order}, infusion_id")
            .to_arrow_table()
            .to_pylist(),
        }
    finally:
        con.close()


TOGETHER = Together(_build)


def by_sql(
    events: list[Row], contexts: Mapping[str, str], thresholds: Thresholds
) -> tuple[list[Row], list[Row]]:
    """Rebuild with the product's SQL."""
    found = _build(events, (contexts, thresholds))
    return found["segments"], found["infusions"]


def by_sql_together(
    events: list[Row], contexts: Mapping[str, str], thresholds: Thresholds
) -> tuple[list[Row], list[Row]]:
    """Return what the product's SQL made of this log among all others of its module."""
    found = TOGETHER.read(events, (contexts, thresholds))
    return found["segments"], found["infusions"]


def by_oracle(
    events: list[Row], contexts: Mapping[str, str], thresholds: Thresholds
) -> tuple[list[Row], list[Row]]:
    """Rebuild with the oracle."""
    TOGETHER.note(events, (contexts, thresholds))
    rules = oracle.Rules(
        after_stop=int(thresholds.continue_after_stop_s * oracle.SECOND_US),
        after_pause=int(thresholds.continue_after_pause_s * oracle.SECOND_US),
        no_gap=int(thresholds.no_gap_s * oracle.SECOND_US),
        keep_open_wait=int(thresholds.keep_open_wait_s * oracle.SECOND_US),
        false_start=int(thresholds.false_start_s * oracle.SECOND_US),
    )
    return oracle.rebuild(events, contexts=contexts, rules=rules)


def show(value: Any) -> str:
    """Write a value the way it is drawn; numbers to six decimals."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        gone = value.astimezone(UTC) - MIDNIGHT
        seconds = gone.seconds + gone.microseconds / 1e6
        time = f"{int(seconds // 3600):02}:{int(seconds % 3600 // 60):02}:{seconds % 60:09.6f}".removesuffix(
            ".000000"
        )
        return f"{gone.days:+d} {time}" if gone.days else time
    if isinstance(value, Decimal | float | int):
        text = f"{float(value):.6f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text
    return ",".join(value) if isinstance(value, list) else str(value)


@dataclass(frozen=True)
class Rebuilt:
    """What one engine made of a drawn log."""

    engine: str
    segment_rows: list[Row]
    infusion_rows: list[Row]

    def segments(self, expected: str) -> None:
        """Compare with a drawn table of segments: exactly these rows, the drawn columns only."""
        self._compare("segments", self.segment_rows, expected)

    def infusions(self, expected: str) -> None:
        """Compare with a drawn table of infusions: exactly these rows, the drawn columns only."""
        self._compare("infusions", self.infusion_rows, expected)

    def _compare(self, table: str, found: list[Row], text: str) -> None:
        header, rows = cells(text)
        types = {column.name: column.type for column in TABLES[table].columns}
        wanted = [
            [
                cell if cell == "*" else show(_read(cell, types[name]))
                for name, cell in zip(header, row, strict=True)
            ]
            for row in rows
        ]
        got = [[show(row[name]) for name in header] for row in found]
        for want, have in zip(wanted, got, strict=False):
            for place, cell in enumerate(want):
                if cell == "*":
                    have[place] = "*"
        if wanted == got:
            return
        widths = [max(len(line[k]) for line in [header, *wanted, *got]) for k in range(len(header))]

        def lines(table_rows: list[list[str]]) -> list[str]:
            return [" | ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) for row in table_rows]

        difference = "\n".join(
            line for line in difflib.ndiff(lines([header, *wanted]), lines([header, *got])) if line[0] != "?"
        )
        raise AssertionError(f"{table} by {self.engine} (- drawn, + found):\n{difference}")


ENGINES: dict[str, Engine] = {"oracle": by_oracle, SQL: by_sql_together, ALONE: by_sql}
