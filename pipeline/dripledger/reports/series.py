"""Thirteen months of one measure as a control chart, with the changes that the site has declared."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from dripledger.measures import MEASURES, ROWS, Amount, Form, Month
from dripledger.reports.anew import Restart
from dripledger.reports.naming import short_month
from dripledger.site import Site
from dripledger.statistics import NO_FIGURE, Change, ChartReading, Series, read_chart

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Mark:
    """A declared change on the axis: how many months after the first point, and what it was."""

    at: float
    when: date
    what: str
    new_limits: bool
    #: Names of the measures whose limits start anew; empty: of all.
    measures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class History:
    """A measure over the months shown: its rows, its reading, and the marks of declared changes."""

    measure: str
    months: tuple[str, ...]
    rows: tuple[Row, ...]
    reading: ChartReading
    marks: tuple[Mark, ...]
    #: What the values of the reading are multiplied with to be those of the measure.
    factor: float

    @property
    def newest(self) -> Row:
        """The row of the report's own month."""
        return self.rows[-1]

    @property
    def signal(self) -> bool:
        """Whether the newest month belongs to a pattern that chance hardly explains."""
        last = len(self.months) - 1
        return any(last in found.points for found in self.reading.found)

    @property
    def can_show(self) -> bool:
        """Whether the newest month has limits, and another month beside it that they rest on."""
        return self.reading.points[-1].low is not None and self.reading.looked_at.points > 1


def kind_of(measure: str) -> tuple[Series, float]:
    """Return which chart a measure asks for, and the factor to its own scale."""
    declared = MEASURES[ROWS[measure][0].id]
    if declared.form is Form.SHARE:
        counted = declared.counted is Amount.COUNT and declared.over is Amount.COUNT
        return (Series.COUNTS if counted else Series.HOURS), 1.0
    if declared.form is Form.RATE and declared.counted is Amount.COUNT:
        return Series.EVENTS, 100.0
    return Series.VALUES, 1.0


def marks_of(site: Site, months: Sequence[str], area: str) -> tuple[Mark, ...]:
    """Return the declared changes of these months that concern an area ('' is the whole facility)."""
    found = []
    first = Month(*map(int, months[0].split("-")))
    for row in site.changes:
        if row.area and row.area != area:
            continue
        own = Month(row.date.year, row.date.month)
        place = own.minus(first) + (row.date.day - 1) / 31
        if 0 <= place < len(months):
            found.append(Mark(round(place, 4), row.date, row.what, row.new_limits, row.measures))
    return tuple(sorted(found, key=lambda mark: (mark.at, mark.what)))


def history(
    site: Site,
    measure: str,
    months: Sequence[str],
    rows: Iterable[Row],
    area: str,
    provisional: set[str] | frozenset[str],
    *,
    earlier: Sequence[str] = (),
    anew: Sequence[Restart] = (),
) -> History:
    """Read the chart of one measure in one area.

    Parameters
    ----------
    site
        The site: declared changes, decimal sign.
    measure
        Name of the row of the table of measures.
    months
        The months shown in order; the last is the report's.
    rows
        The measure's rows of all these months in this area; a month without one has no figure.
    area
        The area; '' for the facility.
    provisional
        Months that may still change.
    earlier
        The months before, without a hole: they make limits and patterns, and are not shown.
    anew
        What starts the limits of this chart anew, in order.

    Notes
    -----
    Every declared change is drawn. Limits start anew, with the first whole month after it, only by `anew`: a
    chart that did so at each change would never see anything.
    """
    by_month = {row["month"]: row for row in rows}
    nothing = {"numerator": None, "denominator": None, "value": None, "low95": None, "high95": None,
               "status": "no_data", "reason": "", "measure": measure}  # fmt: skip
    known = (*earlier, *months)
    lines = tuple(by_month.get(month, {**nothing, "month": month}) for month in known)
    series, factor = kind_of(measure)
    numerators, denominators = [], []
    for row in lines:
        whole = float(row["denominator"] or 0)
        # Alarms of a channel that is only kept open stand over no running hour: no figure, and no point.
        part = float(row["numerator"] or 0) if whole else 0.0
        if series is Series.VALUES:
            part = float(row["value"]) if row["value"] is not None else 0.0
        numerators.append(part)
        denominators.append(whole)
    begins = {month: place for place, month in enumerate(known)}
    changes = [Change(begins[one.month], one.what) for one in anew if one.month in begins]
    reading = read_chart(
        [short_month(month) for month in known], numerators, denominators, series,
        enough=[row["value"] is not None for row in lines], changes=changes,
        provisional=[month in provisional for month in known], since=len(earlier),
        decimal=site.settings.report.decimal,
    )  # fmt: skip
    shown, marks = lines[len(earlier) :], marks_of(site, months, area)
    if any(row["status"] == "hidden" for row in shown):
        # in the form for sharing it is not for want of data
        notes = tuple(note.replace(NO_FIGURE, "Hidden, or without a figure") for note in reading.notes)
        reading = replace(reading, notes=notes)
    return History(measure, tuple(months), shown, reading, marks, factor)
