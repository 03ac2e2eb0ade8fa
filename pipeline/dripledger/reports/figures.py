"""From a row of the table of measures to a cell for people."""

from __future__ import annotations

import re
from typing import Any, Final

from dripledger.measures import ROWS, Amount, Form
from dripledger.reports import words
from dripledger.reports.model import Figure
from dripledger.reports.texts import KIND_WORDS
from dripledger.schema import EVENT_KINDS

_NUMBER = re.compile(r"(\d)\.(\d)")
_KIND = re.compile(rf"\b({'|'.join(EVENT_KINDS)})\b")
#: Where both counts of a measure are of one kind, its words say which; minutes over hours have to be told.
_UNITS: Final = {Amount.COUNT: "", Amount.MINUTES: "min", Amount.HOURS: "h"}


def for_people(reason: str, decimal: str) -> str:
    """Return a reason with kinds of events in words, and the site's decimal mark in its numbers."""
    said = _KIND.sub(lambda found: KIND_WORDS.get(found[0], words.as_words(found[0])), reason)
    return _NUMBER.sub(rf"\1{decimal}\2", said)


def figure(row: dict[str, Any], decimal: str, hide_reason: str = "") -> Figure:
    """Set one cell.

    Parameters
    ----------
    row
        A row of the table of measures.
    decimal
        The site's decimal sign.
    hide_reason
        A reason that the page says once for all cells, so that it need not stand in each.
    """
    declared = ROWS[row["measure"]][0]
    form = declared.form
    reason = str(row["reason"])
    if hide_reason:
        reason = reason.removeprefix(hide_reason).removeprefix("; ")
    reason = for_people(reason, decimal).replace(" %", f"{words.THIN}%")
    counts = ""
    if row["denominator"] is not None and row["status"] != "no_data":
        counts = f"{words.amount(row['numerator'], decimal)} / {words.amount(row['denominator'], decimal)}"
    interval = ""
    if row["low95"] is not None and (row["high95"] is not None or form is Form.TIMES):
        interval = _interval(form, row["low95"], row["high95"], decimal)
    alike = declared.counted is declared.over
    return Figure(
        counts=counts,
        units=("", "") if alike else (_UNITS[declared.counted], _UNITS[declared.over]),
        value="" if row["value"] is None else _value(form, row["value"], decimal, row["high95"]),
        interval=interval,
        status=row["status"],
        reason=reason,
        share=row["value"] if form is Form.SHARE else None,
        low=row["low95"] if form is Form.SHARE else None,
        high=row["high95"] if form is Form.SHARE else None,
    )


def both_counts(cell: Figure) -> tuple[str, str]:
    """Return numerator and denominator, each with its unit where the two differ in it."""
    if not cell.counts:
        return "", ""
    counted, whole = cell.counts.split(" / ")
    return f"{counted} {cell.units[0]}".strip(), f"{whole} {cell.units[1]}".strip()


_STATUS = {"small": "counts only", "no_data": "none", "hidden": "hidden"}


def shown(cell: Figure) -> str:
    """Return the value of a cell, or why there is none in a word or two."""
    return cell.value or _STATUS.get(cell.status, "not measurable")


def _value(form: Form, value: float, decimal: str, high: float | None = None) -> str:
    if form is Form.SHARE:
        return words.percent(value, decimal)
    if form is Form.COUNT:
        return words.whole(round(value))
    if form is Form.TIMES:
        # in minutes where its interval is
        return words.duration(value, decimal, 60 if high is not None and high >= 120 else 120)
    return words.rate(value, decimal)


def _interval(form: Form, low: float, high: float | None, decimal: str) -> str:
    if high is None:
        # too few were seen to end to say how long at most
        return f"{words.duration(low, decimal)} or more"
    if form is Form.SHARE:
        return f"{words.points(low, decimal)} to {words.points(high, decimal)}"
    if form is Form.TIMES:
        return words.durations(low, high, decimal)
    return f"{words.rate(low, decimal)} to {words.rate(high, decimal)}"
