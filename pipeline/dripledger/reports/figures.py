"""From a row of the table of measures to a cell for people."""

from __future__ import annotations

import re
from typing import Any

from dripledger.reports import words
from dripledger.reports.model import Figure

_NUMBER = re.compile(r"(\d)\.(\d)")


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
    reason = str(row["reason"])
    if hide_reason:
        reason = reason.removeprefix(hide_reason).removeprefix("; ")
    reason = _NUMBER.sub(rf"\1{decimal}\2", reason).replace(" %", f"{words.THIN}%")
    counts = ""
    if row["denominator"] is not None and row["status"] != "no_data":
        counts = f"{words.amount(row['numerator'], decimal)} / {words.amount(row['denominator'], decimal)}"
    interval = ""
    if row["low95"] is not None and row["high95"] is not None:
        interval = f"{words.points(row['low95'], decimal)} to {words.points(row['high95'], decimal)}"
    return Figure(
        counts=counts,
        value="" if row["value"] is None else words.percent(row["value"], decimal),
        interval=interval,
        status=row["status"],
        reason=reason,
        share=row["value"],
        low=row["low95"],
        high=row["high95"],
    )
