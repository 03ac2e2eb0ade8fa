"""Pages of the lists behind the figures: grouped as they count, long ones over several pages."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from dripledger.measures import MEASURES
from dripledger.reports import words
from dripledger.reports.behind import BEHIND, CSV_NAMES, LISTS, Behind, amount, anchor, page_name
from dripledger.reports.blocks import Block, Cell, Column, Heading, Leaf, Table, Text
from dripledger.reports.cases import QUANTITIES
from dripledger.reports.naming import day
from dripledger.site import Site

Row = dict[str, Any]

#: Rows of a page, and of one part of a list over all its pages; the whole list is a table beside them.
PAGE_ROWS: Final = 250
PART_ROWS: Final = 1000

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
    "alarms": (Column("Kind"), Column("Priority"), Column("Times raised", number=True)),
    "stops": (Column("Minutes", number=True),),
    "rate_changes": (
        Column("From, mL/h", number=True),
        Column("To, mL/h", number=True),
        Column("Times", number=True),
    ),
}


def list_leaves(
    site: Site, lists: Mapping[str, Sequence[Row]], areas: Sequence[str], month_name: str
) -> Iterator[Leaf]:
    """Make the pages of every list behind a measure, area by area, and one a measure that adds the areas up.

    Parameters
    ----------
    site
        The site: how numbers and days are written.
    lists
        Name of the list -> its rows.
    areas
        Care areas in the order of the report.
    month_name
        The month for people.
    """
    for measure, behind in BEHIND.items():
        by_area: dict[str, list[Row]] = {area: [] for area in areas}
        for row in lists[behind.list]:
            if row[behind.column] in behind.parts:
                by_area.setdefault(row["care_area"], []).append(row)
        shown = {area: found for area, found in by_area.items() if found}
        title = MEASURES[measure].title
        yield _whole(site, measure, behind, shown, title, month_name)
        for area, found in shown.items():
            yield from _of_area(site, measure, behind, area, found, title, month_name)


def set_amount(site: Site, rows: Sequence[Row], behind: Behind) -> str:
    """Return what rows add up to, as text."""
    return words.amount(amount(rows, behind), site.settings.report.decimal)


def _parts(behind: Behind, rows: Sequence[Row]) -> dict[str, list[Row]]:
    parts: dict[str, list[Row]] = {value: [] for value in behind.parts}
    for row in rows:
        parts[row[behind.column]].append(row)
    return parts


def _unit(behind: Behind) -> str:
    return {"running_hours": "h", "minutes": "min"}.get(behind.amount, "")


def _whole(
    site: Site, measure: str, behind: Behind, shown: Mapping[str, list[Row]], title: str, month_name: str
) -> Leaf:
    columns = [Column("Care area, as selected at the pump")]
    columns += [Column(_sentence(text), number=True) for text in behind.parts.values()]
    rows = []
    everything: list[Row] = []
    for area, found in shown.items():
        everything += found
        first = page_name(measure, area)
        cells = [Cell(area, first)]
        for value, part in _parts(behind, found).items():
            cells.append(
                Cell(
                    set_amount(site, part, behind),
                    places(measure, area, behind, found)[value] if part else "",
                    float(amount(part, behind)),
                )
            )
        rows.append(tuple(cells))
    total = [Cell("in total")]
    total += [
        Cell(set_amount(site, part, behind), value=float(amount(part, behind)))
        for part in _parts(behind, everything).values()
    ]
    blocks: tuple[Block, ...] = (
        Table(tuple(columns), (*rows, tuple(total)) if rows else (), _what(behind), "Nothing of the month."),
        _csv(behind),
    )
    return Leaf(
        page_name(measure, ""),
        title,
        f"{month_name}: what the figure is made of.",
        blocks,
        up=("index.html", month_name),
    )


def places(measure: str, area: str, behind: Behind, rows: Sequence[Row]) -> dict[str, str]:
    """Return where each part of the list of an area begins: page and anchor."""
    found, line = {}, 0
    first = page_name(measure, area)
    for value, part in _parts(behind, rows).items():
        found[value] = f"{_numbered(first, line // PAGE_ROWS)}#{anchor(value)}"
        line += min(len(part), PART_ROWS)
    return found


def _numbered(first: str, number: int) -> str:
    return first if number == 0 else first.replace(".html", f"-{number + 1}.html")


def _of_area(
    site: Site, measure: str, behind: Behind, area: str, rows: Sequence[Row], title: str, month_name: str
) -> Iterator[Leaf]:
    lines: list[tuple[str, Row | None]] = []
    parts = _parts(behind, rows)
    for value, part in parts.items():
        # a part without rows still has its anchor
        shown: list[Row | None] = [*part[:PART_ROWS]] or [None]
        lines += [(value, row) for row in shown]
    real = [line for line in lines if line[1] is not None]
    pages = max(1, -(-len(real) // PAGE_ROWS))
    first, up = page_name(measure, area), (page_name(measure, ""), title)
    begun: set[str] = set()
    for number in range(pages):
        own = real[number * PAGE_ROWS : (number + 1) * PAGE_ROWS]
        blocks: list[Block] = []
        for value, text in behind.parts.items():
            mine = [row for part, row in own if part == value and row is not None]
            if not mine and (parts[value] or number):
                continue
            size = f"{set_amount(site, parts[value], behind)} {_unit(behind)}".strip()
            again = ", continued" if value in begun else ""
            mark = anchor(value) if value not in begun else f"{anchor(value)}-{number + 1}"
            begun.add(value)
            blocks.append(Heading(f"{_sentence(text)}: {size}{again}", mark))
            blocks.append(
                Table(_columns(behind), tuple(_line(site, behind, row) for row in mine), sortable=True)
            )
            left = len(parts[value]) - PART_ROWS
            if left > 0 and number == pages - 1:
                blocks.append(Text(f"{words.whole(left)} more rows stand in the table beside these pages."))
        blocks.append(_csv(behind))
        told = f", page {number + 1} of {pages}" if pages > 1 else ""
        yield Leaf(
            _numbered(first, number),
            area,
            f"{title}. {month_name}{told}. {_what(behind)}",
            tuple(blocks),
            up=up,
            before=_numbered(first, number - 1) if number else "",
            after=_numbered(first, number + 1) if number + 1 < pages else "",
        )


def _what(behind: Behind) -> str:
    if behind.list == "running":
        return "Each line is one infusion, its hours those of the month under that entry in that care area."
    return f"Each line is {LISTS[behind.list]}."


def _csv(behind: Behind) -> Text:
    name = CSV_NAMES[behind.list]
    return Text(
        f"Column {behind.column} says what each row counts as.",
        "The whole list as a table:",
        name,
        name.rsplit("/", 1)[-1],
    )


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}"


def _columns(behind: Behind) -> tuple[Column, ...]:
    return (_DATE, _SHIFT, _ENTRY, *_FORMS[behind.list], _PUMP, _FILE)


def lineage(row: Row) -> Cell:
    """Return the file and record that a row stands on."""
    sha = (row["source_file_sha256"] or "")[:12]
    record = "" if row["source_record"] is None else f", record {row['source_record']}"
    return Cell(f"{row['source_file'] or row['source']}{record}", note=sha)


def when(site: Site, row: Row) -> tuple[Cell, Cell]:
    """Return the cells of date and shift."""
    on = row["happened_on"]
    return Cell(day(on, site.settings.report.dates), value=on.isoformat()), Cell(row["shift"])


def _line(site: Site, behind: Behind, row: Row) -> tuple[Cell, ...]:
    return (
        *when(site, row),
        Cell(row["entry"] or "no entry"),
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
        use = row["library_use"].replace("_", " ")
        return Cell(use), Cell(row["library_version"] or "not logged"), Cell(row["hard_high_limit"])
    if name == "running":
        return Cell(row["library_use"].replace("_", " ")), number(row["running_hours"], digits=4)
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
        kind, priority = (row[key].replace("_", " ") for key in ("alarm_kind", "alarm_priority"))
        return Cell(kind), Cell(priority), number(row["raw_count"])
    if name == "stops":
        return (number(row["minutes"], digits=4),)
    return (number(row["rate_before_ml_h"]), number(row["rate_ml_h"]), number(row["factor"], digits=3))


OUTCOMES: Final[dict[str, str]] = BEHIND["outcomes_soft"].groups
