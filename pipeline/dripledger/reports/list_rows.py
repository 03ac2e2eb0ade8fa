"""One line of a list behind a figure: its columns, its cells, and the file and record that it stands on."""

from __future__ import annotations

from datetime import date
from typing import Any, Final

from dripledger.reports import words
from dripledger.reports.behind import BEHIND, Behind
from dripledger.reports.blocks import Cell, Column
from dripledger.reports.naming import day
from dripledger.site import Site

Row = dict[str, Any]

_DATE, _SHIFT = Column("Date", tight=True), Column("Shift, hours", tight=True)
_ENTRY, _PUMP, _FILE = Column("Entry"), Column("Pump"), Column("Source file / record")
_FORMS: Final[dict[str, tuple[Column, ...]]] = {
    "starts": (Column("Library use"), Column("Library"), Column("Hard high limit")),
    "running": (Column("Library use"), Column("Running hours", number=True)),
    "programmings": (Column("When"), Column("Value", number=True)),
    "attempts": (
        Column("What"),
        Column("First entered", number=True),
        Column("Confirmed", number=True),
        Column("Limit", number=True),
        Column("Times the limit", number=True),
        Column("Outcome"),
    ),
    "alarms": (
        Column("Kind"),
        Column("Priority"),
        Column("Times raised", number=True),
        Column("Minutes to clearing", number=True),
        Column("To first response", number=True),
    ),
    "powered": (Column("Type"), Column("Source"), Column("Powered-on hours", number=True)),
    "in_alarm": (Column("First kind of alarm"), Column("Minutes", number=True)),
    "stops": (Column("Minutes", number=True),),
    "rate_changes": (
        Column("From, mL/h", number=True),
        Column("To, mL/h", number=True),
        Column("Times", number=True),
    ),
}

#: Lists of what a pump does, whatever it infuses.
_NO_ENTRY: Final = ("in_alarm",)


def columns_of(name: str) -> tuple[Column, ...]:
    """Return the columns of a list."""
    if name == "powered":
        return (_PUMP, *_FORMS[name])
    dated = (_DATE, _SHIFT) if name in _NO_ENTRY else (_DATE, _SHIFT, _ENTRY)
    return (*dated, *_FORMS[name], _PUMP, _FILE)


def lineage(row: Row) -> Cell:
    """Return the file and record that a row stands on."""
    sha = (row["source_file_sha256"] or "")[:12]
    record = "" if row["source_record"] is None else f", record {row['source_record']}"
    return Cell(f"{row['source_file'] or row['source']}{record}", note=sha)


def when(site: Site, row: Row) -> tuple[Cell, Cell]:
    """Return the cells of date and shift."""
    on = row["happened_on"]
    return Cell(day(on, site.settings.report.dates), value=on.isoformat()), Cell(row["shift"])


def when_in_one(site: Site, on: date, shift: str) -> Cell:
    """Return date and shift as one cell, which sorts by both."""
    return Cell(day(on, site.settings.report.dates), value=f"{on.isoformat()} {shift}", note=f"{shift} h")


def line_of(site: Site, behind: Behind, row: Row) -> tuple[Cell, ...]:
    """Return the cells of a line, as `columns_of` names them."""
    if behind.list == "powered":
        return (Cell(row["pump_id"]), *form_cells(site, behind.list, row))
    entry = () if behind.list in _NO_ENTRY else (Cell(row["entry"] or "no entry"),)
    return (
        *when(site, row),
        *entry,
        *form_cells(site, behind.list, row),
        Cell(row["pump_id"]),
        lineage(row),
    )


def form_cells(site: Site, name: str, row: Row) -> tuple[Cell, ...]:
    """Return the cells that a list has of its own."""
    decimal = site.settings.report.decimal

    def number(value: Any, unit: str | None = None, digits: int = 6) -> Cell:
        if value is None:
            return Cell("")
        text = words.number(float(f"{float(value):.{digits}g}"), decimal)
        return Cell(f"{text} {unit}" if unit else text, value=float(value))

    if name == "starts":
        use = words.as_words(row["library_use"])
        return Cell(use), Cell(row["library_version"] or "not logged"), Cell(row["hard_high_limit"])
    if name == "running":
        return Cell(words.as_words(row["library_use"])), number(row["running_hours"], digits=4)
    if name == "programmings":
        return Cell(str(row["phase"] or "")), number(row["value"], row["unit"])
    if name == "attempts":
        what = f"{QUANTITIES.get(row['limit_quantity'], 'a limit')}, {row['limit_side'] or 'side not logged'}"
        outcome = str(OUTCOMES.get(row["outcome"], row["outcome"]))
        again = "then brought inside" if row["reversed"] else ""
        return (
            Cell(what),
            number(row["entered_first"], row["limit_unit"]),
            number(row["entered_final"], row["limit_unit"]),
            number(row["limit_value"], row["limit_unit"]),
            number(row["limit_multiple"], digits=3),
            Cell(outcome, note=again),
        )
    if name == "alarms":
        kind, priority = (words.as_words(row[key]) for key in ("alarm_kind", "alarm_priority"))
        took = (number(row[f"minutes_to_{what}"], digits=4) for what in ("clear", "first_response"))
        return Cell(kind), Cell(priority), number(row["raw_count"]), *took
    if name == "powered":
        kind = words.as_words(row["pump_type"])
        return Cell(kind), Cell(row["source"]), number(row["powered_on_hours"], digits=6)
    if name == "in_alarm":
        return Cell(words.as_words(row["alarm_kind"])), number(row["minutes"], digits=4)
    if name == "stops":
        return (number(row["minutes"], digits=4),)
    return (number(row["rate_before_ml_h"]), number(row["rate_ml_h"]), number(row["factor"], digits=3))


#: Quantities of limits in words.
QUANTITIES: Final = {
    "dose_rate": "dose rate",
    "flow_rate": "flow rate",
    "bolus_dose": "bolus dose",
    "concentration": "concentration",
    "volume": "volume",
    "duration": "duration",
    "weight": "weight",
    "rate_change": "change of rate",
}
OUTCOMES: Final[dict[str, str]] = BEHIND["outcomes_soft"].groups
