"""The short list of what is readable and implausible; the whole of it stands in a table beside the page."""

from __future__ import annotations

from typing import Any, Final

import duckdb

from dripledger.reports.model import OddList, OddRow
from dripledger.reports.words import plural, whole

#: Lines on the page; more than there are checks, so that each check that fails is seen.
MOST_LINES: Final = 20

#: What the second value of a check is.
_COMPARED: Final = {"rate_hundredfold": "before it", "far_from_limit": "limit"}


def odd_list(con: duckdb.DuckDBPyConnection, month: str, decimal: str) -> OddList:
    """List the implausible events of one month.

    Parameters
    ----------
    con
        Connection with the relations of reports.
    month
        The month, ``YYYY-MM``.
    decimal
        The site's decimal sign.

    Returns
    -------
    OddList
        At most `MOST_LINES` lines, the first of every check before the second of any; `more` says how many
        lines and events are left out.
    """
    found = con.execute(
        "select words, check_name, value, compared_with, unit, pump_id, happened_on, shift, events"
        " from report_implausible_list where month = ? order by place, check_name",
        [month],
    ).fetchall()
    shown, rest = found[:MOST_LINES], found[MOST_LINES:]
    # What belongs together stands together; which lines are shown is decided already.
    shown.sort(key=lambda row: row[0])
    rows = tuple(
        OddRow(
            what=f"{row[0][0].upper()}{row[0][1:]}",
            value=_value(row, decimal),
            pump=row[5],
            date=row[6].isoformat(),
            shift=row[7],
            events=whole(row[8]),
        )
        for row in shown
    )
    more = ""
    if rest:
        events = sum(row[8] for row in rest)
        lines, told = plural(len(rest), "more line"), plural(events, "event")
        more = f"{whole(len(rest))} {lines} ({whole(events)} {told}) not shown here."
    return OddList(rows=rows, more=more)


def _value(row: tuple[Any, ...], decimal: str) -> str:
    _, check, value, compared, unit = row[:5]
    if value is None:
        return ""
    text = _number(value, decimal)
    if unit:
        text += f" {unit}"
    if compared is not None:
        text += f" ({_COMPARED.get(check, 'beside')} {_number(compared, decimal)})"
    return text


def _number(value: float, decimal: str) -> str:
    return f"{value:.10g}".replace(".", decimal)
