"""Pages of the lists behind the figures: grouped as they count, long ones over several pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from dripledger.measures import MEASURES
from dripledger.reports import words
from dripledger.reports.behind import (
    BEHIND,
    BY_ENTRY,
    BY_PUMP,
    CSV_NAMES,
    LISTS,
    OVER,
    Behind,
    amount,
    anchor,
    over_names,
    over_title,
    page_name,
    split_columns,
)
from dripledger.reports.blocks import Block, Cell, Column, Heading, Leaf, Table, Text
from dripledger.reports.list_rows import columns_of, line_of
from dripledger.site import Site

Row = dict[str, Any]

#: Rows of a page, and of one part of a list over all its pages; the whole list is a table beside them.
PAGE_ROWS: Final = 250
PART_ROWS: Final = 1000


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
    for one in _books(lists, month_name):
        by_area: dict[str, list[Row]] = {area: [] for area in areas}
        for row in lists[one.behind.list]:
            if row[one.behind.column] in one.behind.parts:
                by_area.setdefault(row["care_area"], []).append(row)
        shown = {area: found for area, found in by_area.items() if found}
        if set(shown) == {""}:
            # of the whole facility: pumps move between areas
            yield from _of_area(site, one, "", shown[""])
            continue
        yield _whole(site, one, shown)
        for area, found in shown.items():
            yield from _of_area(site, one, area, found)


@dataclass(frozen=True, slots=True)
class _Book:
    """The pages of one list: their name, their title, and the measure whose parts are told apart in it."""

    name: str
    title: str
    behind: Behind
    month_name: str
    measure: str = ""


def _books(lists: Mapping[str, Sequence[Row]], month_name: str) -> Iterator[_Book]:
    for measure, behind in BEHIND.items():
        if not behind.shown_by:
            yield _Book(measure, MEASURES[measure].title, behind, month_name, measure)
    for name in dict.fromkeys(over_names(lists).values()):
        measure = name.removeprefix("over_")
        yield _Book(name, over_title(measure), OVER[measure], month_name)


def set_amount(site: Site, rows: Sequence[Row], behind: Behind) -> str:
    """Return what rows add up to, as text."""
    return words.amount(amount(rows, behind), site.settings.report.decimal)


def _parts(behind: Behind, rows: Sequence[Row]) -> dict[str, list[Row]]:
    parts: dict[str, list[Row]] = {value: [] for value in behind.parts}
    for row in rows:
        parts[row[behind.column]].append(row)
    return parts


def _unit(behind: Behind) -> str:
    return {"running_hours": "h", "powered_on_hours": "h", "minutes": "min"}.get(behind.amount, "")


def _whole(site: Site, book: _Book, shown: Mapping[str, list[Row]]) -> Leaf:
    behind = book.behind
    columns = [Column("Care area, as selected at the pump")]
    columns += [Column(_sentence(text), number=True) for text in behind.parts.values()]
    if behind.is_sum:
        columns.append(Column("In all, but what is left out", number=True))
    rows = []
    everything: list[Row] = []
    for area, found in shown.items():
        everything += found
        cells = [Cell(area, page_name(book.name, area))]
        for value, part in _parts(behind, found).items():
            cells.append(
                Cell(
                    set_amount(site, part, behind),
                    places(book.name, area, behind, found)[value] if part else "",
                    float(amount(part, behind)),
                )
            )
        if behind.is_sum:
            cells.append(_in_all(site, behind, found))
        rows.append(tuple(cells))
    total = [Cell("in total")]
    total += [
        Cell(set_amount(site, part, behind), value=float(amount(part, behind)))
        for part in _parts(behind, everything).values()
    ]
    if behind.is_sum:
        total.append(_in_all(site, behind, everything))
    blocks: list[Block] = [
        Table(tuple(columns), (*rows, tuple(total)) if rows else (), _what(behind), "Nothing of the month."),
    ]
    if book.measure:
        for column, words_of in split_columns(book.measure).items():
            blocks += _split(book, column, words_of, shown)
        for column, measures in (("entry", BY_ENTRY), ("pump", BY_PUMP)):
            if book.measure in measures:
                blocks += _by(column, behind, everything)
    return Leaf(
        page_name(book.name, ""),
        book.title,
        f"{book.month_name}: what the figure is made of.",
        (*blocks, _csv(behind)),
        up=("index.html", book.month_name),
    )


def _in_all(site: Site, behind: Behind, rows: Sequence[Row]) -> Cell:
    known = [row for row in rows if row[behind.column] != "left out"]
    return Cell(set_amount(site, known, behind), value=float(amount(known, behind)))


def _split(
    book: _Book, column: str, words_of: Mapping[str, str], shown: Mapping[str, Sequence[Row]]
) -> Iterator[Block]:
    """Tell apart what was counted, by care area and by the values of a column of the list."""
    behind = book.behind
    counts = {
        area: Counter(str(row[column]) for row in found if row[behind.column] == "counted")
        for area, found in shown.items()
    }
    # a list of kinds that nobody heard tells nothing; a phase or a distance without a case is an answer
    heard = [v for v in words_of if behind.list != "alarms" or any(found[v] for found in counts.values())]
    rows = [
        (
            Cell(area, page_name(book.name, area)),
            *(
                Cell(words.whole(found[v]), page_name(book.name, area) if found[v] else "", found[v])
                for v in heard
            ),
        )
        for area, found in counts.items()
    ]
    total = (Cell(words.whole(sum(found[v] for found in counts.values()))) for v in heard)
    yield Heading(f"{_sentence(behind.counted)}, {SPLIT_WORDS.get(column, column)}", f"by-{column}")
    yield Table(
        (Column("Care area"), *(Column(_sentence(words_of[v]), number=True) for v in heard)),
        (*rows, (Cell("in total"), *total)) if heard and rows else (),
    )


def _by(column: str, behind: Behind, rows: Sequence[Row]) -> Iterator[Block]:
    """Add a list up by entry or by pump."""
    key = {"pump": "pump_id"}.get(column, column)
    counts = {v: Counter(row[key] for row in part) for v, part in _parts(behind, rows).items()}
    columns = [Column(_sentence(column))]
    columns += [Column(_sentence(text), number=True) for text in behind.parts.values()]
    yield Heading(f"By {column}", f"by-{column}")
    yield Table(
        tuple(columns),
        tuple(
            (
                Cell(name or f"no {column}"),
                *(Cell(words.whole(found[name]), value=found[name]) for found in counts.values()),
            )
            for name in sorted({row[key] for row in rows})
        ),
        sortable=True,
    )


#: Columns by which figures are told apart, in words.
SPLIT_WORDS: Final = {
    "phase": "by what was being programmed",
    "alarm_kind": "by kind",
    "alarm_priority": "by priority",
    "at_5x": "of these at 5 times the limit or more",
    "at_10x": "of these at 10 times the limit or more",
}


def places(name: str, area: str, behind: Behind, rows: Sequence[Row]) -> dict[str, str]:
    """Return where each part of the list of an area begins: page and anchor."""
    found, line = {}, 0
    first = page_name(name, area)
    for value, part in _parts(behind, rows).items():
        found[value] = f"{_numbered(first, line // PAGE_ROWS)}#{anchor(value)}"
        line += min(len(part), PART_ROWS)
    return found


def _numbered(first: str, number: int) -> str:
    return first if number == 0 else first.replace(".html", f"-{number + 1}.html")


def _of_area(site: Site, book: _Book, area: str, rows: Sequence[Row]) -> Iterator[Leaf]:
    behind = book.behind
    lines: list[tuple[str, Row | None]] = []
    parts = _parts(behind, rows)
    for value, part in parts.items():
        # a part without rows still has its anchor
        shown: list[Row | None] = [*part[:PART_ROWS]] or [None]
        lines += [(value, row) for row in shown]
    real = [line for line in lines if line[1] is not None]
    pages = max(1, -(-len(real) // PAGE_ROWS))
    first = page_name(book.name, area)
    up = (page_name(book.name, ""), book.title) if area else ("index.html", book.month_name)
    told_of = f"{book.title}. {book.month_name}" if area else book.month_name
    begun: set[str] = set()
    in_all = _in_all(site, behind, rows).text if behind.is_sum else ""
    for number in range(pages):
        own = real[number * PAGE_ROWS : (number + 1) * PAGE_ROWS]
        blocks: list[Block] = []
        if in_all and not number:
            blocks.append(Text(f"In all, but what is left out: {in_all} {_unit(behind)}".rstrip()))
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
                Table(
                    columns_of(behind.list), tuple(line_of(site, behind, row) for row in mine), sortable=True
                )
            )
            left = len(parts[value]) - PART_ROWS
            if left > 0 and number == pages - 1:
                blocks.append(Text(f"{words.whole(left)} more rows stand in the table beside these pages."))
        blocks.append(_csv(behind))
        told = f", page {number + 1} of {pages}" if pages > 1 else ""
        yield Leaf(
            _numbered(first, number),
            area or book.title,
            f"{told_of}{told}. {_what(behind)}",
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
