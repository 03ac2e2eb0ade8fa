"""One measure as a card: value, interval, counts that open, thirteen months, and what they say."""

from __future__ import annotations

from typing import Any, Final

from dripledger.measures import MEASURES, ROWS, Form
from dripledger.reports import draw, words
from dripledger.reports.blocks import (
    NO_PICTURE,
    Block,
    Card,
    Cards,
    Cell,
    Column,
    Picture,
    Table,
    Text,
)
from dripledger.reports.figures import both_counts, figure, shown
from dripledger.reports.material import Material
from dripledger.reports.naming import day, short_month, slug
from dripledger.reports.series import History, Mark, marks_of
from dripledger.reports.share import REASON

_LETTERS: Final = "abcdefghijklmnopqrstuvwxyz"


def title_of(measure: str) -> str:
    """Return the title of a row of the table of measures."""
    declared, part = ROWS[measure]
    return declared.row_title(part)


def set_value(measure: str, value: float, decimal: str) -> str:
    """Write a value of a measure for people."""
    form = ROWS[measure][0].form
    return words.percent(value, decimal) if form is Form.SHARE else words.rate(value, decimal)


def cards(material: Material, measures: tuple[str, ...], area: str = "") -> Cards:
    """Make the cards of an area; '' is the facility."""
    return Cards(
        tuple(card(material, measure, material.history(measure, area), area) for measure in measures)
    )


def card(
    material: Material,
    measure: str,
    found: History,
    area: str = "",
    name: str = "",
    links: tuple[str, str] | None = None,
) -> Card:
    """Make one card; where the area does not, `name` tells its picture apart, `links` where it leads."""
    declared = MEASURES[ROWS[measure][0].id]
    cell = figure(found.newest, material.decimal, material.hide)
    # the base, in words, says what the second one is
    counted, whole = both_counts(cell)[0], cell.counts.rpartition(" / ")[2]
    to_counted, to_whole = links or material.links(measure, area)
    value, note = shown(cell), ""
    if not cell.value:
        note = cell.reason if cell.status in ("not_measurable", "small") else ""
    drawn = picture(material, measure, found, name or f"{measure}-{slug(area) if area else 'all'}")
    # in the form for sharing it is not for want of data that there is none
    is_hidden = material.share and drawn is None and cell.status == "hidden"
    return Card(
        title=title_of(measure),
        value=value,
        interval=cell.interval,
        counts=Cell(counted, to_counted),
        whole=Cell(whole, to_whole),
        base=declared.base,
        joined="of" if declared.counted is declared.over else "in",
        words=() if is_hidden else _words(found),
        picture=drawn,
        signal=found.signal,
        note="" if material.share else note or (cell.reason if cell.value else ""),
        define=f"definitions.html#{ROWS[measure][0].id}",
        no_picture=f"In every month: {REASON}." if is_hidden else NO_PICTURE,
    )


def _words(found: History) -> tuple[str, ...]:
    """Say first what the newest month belongs to; what is over comes after it, once."""
    last = len(found.months) - 1
    patterns = {one.sentence: one for one in found.reading.found}
    now = [text for text, one in patterns.items() if last in one.points]
    rest = [text for text in found.reading.sentences if text not in now]
    if not patterns:
        return tuple(rest)
    # What is said of the whole series is not over.
    return (*now, *(_earlier(text) if text in patterns else text for text in rest[:1]))


def _earlier(text: str) -> str:
    return f"Earlier: {text[0].lower() if text[:3] == 'All' else text[0]}{text[1:]}"


def marks_text(material: Material, area: str = "") -> str:
    """Say what the letters on the charts of an area stand for; nothing where the site declared no change."""
    form = material.site.settings.report.dates
    marks = marks_of(material.site, material.months, area)
    told = [
        f"{letter}: {mark.what} ({day(mark.when, form)}{_anew(mark)})"
        for letter, mark in zip(_LETTERS, marks, strict=False)
    ]
    return "; ".join(told)


def changes_block(material: Material, area: str = "") -> list[Block]:
    """Say what the letters on the charts stand for."""
    told = marks_text(material, area)
    if not told:
        return []
    if material.share:
        return [Text(f"{told}.", "Declared changes.")]
    return [Text(f"{told}.", "Declared changes.", "changes.html", "Before and after each")]


def _anew(mark: Mark) -> str:
    if not mark.new_limits:
        return ""
    names = [title_of(name) if name in ROWS else MEASURES[name].title for name in mark.measures]
    return f", new limits from the month after{': ' + ', '.join(names) if names else ''}"


def picture(material: Material, measure: str, found: History, name: str) -> Picture | None:
    """Draw the months of a measure; None where no month has a value."""
    points = found.reading.points
    if all(point.value is None for point in points):
        return None
    decimal = material.decimal

    def text(value: float | None) -> str:
        return "" if value is None else set_value(measure, value * found.factor, decimal)

    rows = tuple(
        _data_row(point, row, text, measure, decimal) for point, row in zip(points, found.rows, strict=True)
    )
    data = Table(
        (
            Column("Month", tight=True),
            Column("Counts", number=True),
            Column("Value", number=True),
            Column("95 % interval", number=True),
            Column("Centre", number=True),
            Column("Limits", number=True),
            Column("Signal"),
        ),
        rows,
        " ".join(found.reading.notes),
    )
    newest = points[-1]
    alt = f"{title_of(measure)}, {points[0].label} to {newest.label}: {len(points)} months. "
    alt += f"Newest {text(newest.value) or 'without a figure'}"
    alt += f", centre {text(newest.centre)}. " if newest.centre is not None else ". "
    alt += " ".join(found.reading.sentences)
    drawn = draw.control_chart(found, name, lambda value: set_value(measure, value, decimal))
    return Picture(name, title_of(measure), drawn, alt, data)


def _data_row(point: Any, row: dict[str, Any], text: Any, measure: str, decimal: str) -> tuple[Cell, ...]:
    cell = figure({**row, "measure": measure}, decimal)
    limits = f"{text(point.low)} to {text(point.high)}" if point.low is not None else ""
    told = ", ".join(point.signals) + (" (provisional)" if point.provisional else "")
    return (
        Cell(short_month(row["month"])),
        Cell(" / ".join(both_counts(cell)) if cell.counts else ""),
        Cell(shown(cell)),
        Cell(cell.interval),
        Cell(text(point.centre)),
        Cell(limits),
        Cell(told.strip()),
    )
