"""Cases of the month, and the open ones of the months before: each with what a review has found, if any."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import duckdb
import pyarrow as pa

from dripledger.case_command import trace_command
from dripledger.lists import ReviewRow
from dripledger.reports import words
from dripledger.reports.blocks import Cell, Column, Table, Text
from dripledger.reports.list_rows import OUTCOMES, QUANTITIES, lineage, when_in_one
from dripledger.reports.naming import short_month, slug
from dripledger.site import Site

#: Kinds of cases: what they are, and the table of the month that lists them all.
KINDS: Final = {
    "far_override": ("Override at twice the limit or more", "far_overrides.csv"),
    "left_library": ("Left the library after a limit alert", "left_library.csv"),
    "long_stop": ("Long stop by an alarm, high-alert entry", "long_stops.csv"),
    "rate_change": ("Rate changed fivefold or more by a user", "rate_changes.csv"),
}
#: The same in a table, where the full name stands above.
_SHORT: Final = {
    "far_override": "Far override",
    "left_library": "Left the library",
    "long_stop": "Long stop",
    "rate_change": "Rate change",
}
#: Where how far it went stands.
_FAR: Final = {
    "far_override": "limit_multiple", "left_library": "limit_multiple", "long_stop": "minutes",
    "rate_change": "factor",
}  # fmt: skip
#: Stands once beside the tables of cases.
HOW_TO_TRACE: Final = Text(
    "To see what the pump of a case did, minute by minute, run this with the id of the case for ID:",
    quiet=True,
    command="dripledger trace --case ID",
)
#: What cases are read from.
RELATIONS: Final = ("report_warnings", "report_moments")
#: What leaves a case open.
_OPEN: Final = ("", "undecided")


@dataclass(frozen=True, slots=True)
class CaseRow:
    """One case."""

    case_id: str
    kind: str
    month: str
    on: date
    shift: str
    area: str
    entry: str
    high_alert: bool
    told: str
    size: str
    #: The number in `size`: times the limit, minutes, times the rate before; None where it is not known.
    far: float | None
    outcome: str
    #: Whether an override was brought inside its limits soon after.
    reversed: bool
    pump: str
    source: Cell
    disposition: str

    @property
    def is_open(self) -> bool:
        """Whether no review has decided it."""
        return self.disposition in _OPEN


def read_case_tables(con: duckdb.DuckDBPyConnection, month: str) -> dict[str, pa.Table]:
    """Return what the cases of one month are read from, to be kept."""
    return {
        name: con.sql(f"select * from {name} where month = '{month}'").to_arrow_table() for name in RELATIONS
    }


def _rows(
    con: duckdb.DuckDBPyConnection, relation: str, remembered: Iterable[Mapping[str, pa.Table]]
) -> Iterator[dict[str, Any]]:
    yield from con.sql(f"select * from {relation}").to_arrow_table().to_pylist()
    paths = dict(con.execute("select source_file_sha256, path from source_paths").fetchall())
    for tables in remembered:
        for row in tables[relation].to_pylist():
            # the same file may lie elsewhere since
            yield {**row, "source_file": paths.get(row["source_file_sha256"])}


def read_cases(
    con: duckdb.DuckDBPyConnection, site: Site, remembered: Iterable[Mapping[str, pa.Table]] = ()
) -> tuple[CaseRow, ...]:
    """Read the cases of all months shown: by month, kind, date, shift and name; nothing is ranked.

    Parameters
    ----------
    con
        Connection with the relations of reports.
    site
        The site: reviews, decimal sign.
    remembered
        What `read_case_tables` gave of the months that those do not hold.
    """
    found = {row.case: row for row in site.reviews}
    decimal = site.settings.report.decimal
    remembered = tuple(remembered)
    cases = []
    for relation in RELATIONS:
        for row in _rows(con, relation, remembered):
            told, size, outcome = _told(row, decimal)
            far = row[_FAR[row["what"]]]
            cases.append(
                CaseRow(
                    row["case_id"], row["what"], row["month"], row["happened_on"], row["shift"],
                    row["care_area"], row["entry"] or "", row["high_alert"] == "yes", told, size, far,
                    outcome, bool(row.get("reversed")), row["pump_id"],
                    lineage(row), _disposition(row, found),
                )
            )  # fmt: skip
    order = list(KINDS)
    return tuple(
        sorted(cases, key=lambda c: (c.month, order.index(c.kind), c.on, c.shift, c.area, c.entry, c.case_id))
    )


def _disposition(row: dict[str, Any], found: Mapping[str, ReviewRow]) -> str:
    """Return what a review found of a case, '' where none did.

    The case's own id comes first, then any other event that tells it: a log read later may tell the same
    moment too, and what was reviewed stays so. The event of a whole pump without the channel behind it stands
    for each channel. Once a stop or a change had the id of its infusion: such a review holds for what had
    happened by its day, and not for what came after it.
    """
    names = (row["case_id"], *(row.get("known_as") or ()))
    for name in (*names, *(name.partition(":")[0] for name in names)):
        if name in found:
            return found[name].disposition
    whole = found.get(row.get("infusion_id") or "")
    return whole.disposition if whole and row["happened_on"] <= whole.date else ""


def _told(row: dict[str, Any], decimal: str) -> tuple[str, str, str]:
    def number(value: float | None, unit: str | None = None) -> str:
        text = words.number(value, decimal)
        return f"{text} {unit}" if text and unit else text

    def times(value: float | None, side: str) -> str:
        if value is None:
            return ""
        told = number(float(f"{value:.3g}"))
        return f"1/{told} of the limit" if side == "low" else f"{told} times the limit"

    if row["what"] == "long_stop":
        return "stopped by an alarm", f"{number(round(row['minutes'], 1))} min", ""
    if row["what"] == "rate_change":
        told = f"{number(row['rate_before_ml_h'])} to {number(row['rate_ml_h'])} mL/h"
        factor = number(float(f"{row['factor']:.3g}"))
        is_raised = row["rate_ml_h"] > row["rate_before_ml_h"]
        return told, f"raised to {factor} times" if is_raised else f"lowered to 1/{factor}", ""
    value = row["entered_final"] if row["outcome"] == "overridden" else row["entered_first"]
    quantity = QUANTITIES.get(row["limit_quantity"], "a limit")
    told = f"{quantity} {number(value, row['limit_unit'])}".strip()
    if row["limit_value"] is not None:
        side = f"{row['limit_side']} " if row["limit_side"] else ""
        told += f", {side}limit {number(row['limit_value'], row['limit_unit'])}"
    again = ", then brought inside" if row["reversed"] else ""
    return (
        told,
        times(row["limit_multiple"], row["limit_side"] or ""),
        f"{OUTCOMES.get(row['outcome'], row['outcome'])}{again}",
    )


def case_table(
    site: Site, cases: Sequence[CaseRow], *, empty: str, with_kind: bool = True, on_paper: int = 0,
    entries: Iterable[str] = (),
) -> Table:  # fmt: skip
    """Set cases as a table; an entry leads to its page where it has one. `HOW_TO_TRACE` stands with it."""
    have = set(entries)
    columns = [Column("Date, shift", tight=True), Column("Care area"), Column("Entry")]
    columns += [Column("What it is")] if with_kind else []
    columns += [
        Column("What was logged"),
        Column("How far"),
        Column("Review"),
        Column("Source file / record"),
        Column("Case", on_paper=False),
    ]
    rows = []
    for case in cases:
        entry = case.entry or "no entry"
        cells = [
            when_in_one(site, case.on, case.shift),
            Cell(case.area),
            Cell(entry, entry_file(case.entry) if case.entry in have else "",
                 note="high-alert" if case.high_alert else ""),
        ]  # fmt: skip
        cells += [Cell(_SHORT[case.kind])] if with_kind else []
        cells += [
            Cell(case.told, note=case.outcome if case.reversed else ""),
            Cell(case.size),
            Cell(case.disposition or "open"),
            Cell(case.source.text),
            Cell(case.case_id, code=True),
        ]
        rows.append(tuple(cells))
    return Table(tuple(columns), tuple(rows), empty=empty, sortable=True, on_paper=on_paper)


def case_lines(cases: Sequence[CaseRow], month: str) -> tuple[tuple[str, ...], tuple[tuple[Any, ...], ...]]:
    """Return names of columns, and a line for each case of a month and then for each open one of before."""
    names = (
        "month", "kind", "date", "shift", "care_area", "entry", "high_alert", "what_was_logged", "how_far",
        "outcome", "review", "pump", "case_id", "source_file_and_record", "trace",
    )  # fmt: skip
    lines = tuple(
        (
            c.month, KINDS[c.kind][0], c.on, c.shift, c.area, c.entry, c.high_alert, c.told, c.size,
            c.outcome, c.disposition or "open", c.pump, c.case_id, c.source.text, trace_command(c.case_id),
        )
        for c in sorted(cases, key=lambda case: case.month != month)
        if c.month == month or c.is_open
    )  # fmt: skip
    return names, lines


def farthest(cases: Sequence[CaseRow], most: int) -> list[CaseRow]:
    """Choose `most` cases, of each kind in turn the farthest that is left; by kind, the farthest first.

    No more than a quarter of `most` is ever left out alone: where that is all, every case is shown.
    """
    order = {kind: place for place, kind in enumerate(KINDS)}
    ranks: dict[str, int] = dict.fromkeys(KINDS, 0)
    placed = []
    for case in sorted(cases, key=lambda c: -1.0 if c.far is None else c.far, reverse=True):
        placed.append((ranks[case.kind], order[case.kind], case))
        ranks[case.kind] += 1
    if len(placed) > most + most // 4:
        placed = sorted(placed, key=lambda one: one[:2])[:most]
    return [case for *_, case in sorted(placed, key=lambda one: (one[1], one[0]))]


def entry_file(entry: str) -> str:
    """Return the page of an entry."""
    return f"entries/{slug(entry)}.html"


def area_file(area: str) -> str:
    """Return the page of a care area."""
    return f"areas/{slug(area)}.html"


def months_of(cases: Iterable[CaseRow]) -> str:
    """Return how many cases each month has, in words."""
    counts: dict[str, int] = {}
    for case in cases:
        counts[case.month] = counts.get(case.month, 0) + 1
    return ", ".join(f"{short_month(month)} {words.whole(n)}" for month, n in counts.items())
