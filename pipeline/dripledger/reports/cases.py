"""Lists of cases: what happened, how far, and the file and record that say so; no clock time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import duckdb

from dripledger.reports import words
from dripledger.reports.model import Case, CaseList
from dripledger.reports.words import plural, whole

#: Lines of a list on the page; the rest stands in the table beside it.
MOST_CASES: Final = 25

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

_Row = dict[str, Any]


def warnings(
    con: duckdb.DuckDBPyConnection, month: str, what: str, decimal: str, outcomes: dict[str, str]
) -> CaseList:
    """List the attempts of one month that `report_warnings` names `what`."""

    def text(row: _Row) -> tuple[str, str, str]:
        value = row["entered_final"] if row["outcome"] == "overridden" else row["entered_first"]
        limit = _with_unit(row["limit_value"], row["limit_unit"], decimal)
        quantity = QUANTITIES.get(row["limit_quantity"], "a limit")
        told = f"{quantity} {_with_unit(value, row['limit_unit'], decimal)}".strip()
        if limit:
            told += f", {row['limit_side'] or ''} limit {limit}".replace(",  ", ", ")
        outcome = outcomes[row["outcome"]] + (", then brought inside" if row["reversed"] else "")
        return told, _times(row["limit_multiple"], decimal), outcome

    return _list(con, "report_warnings", month, what, text)


def moments(con: duckdb.DuckDBPyConnection, month: str, what: str, decimal: str) -> CaseList:
    """List the stops or changes of one month that `report_moments` names `what`."""

    def text(row: _Row) -> tuple[str, str, str]:
        if what == "long_stop":
            return "stopped by an alarm", f"{words.number(round(row['minutes'], 1), decimal)} min", ""
        before, after = (words.number(row[name], decimal) for name in ("rate_before_ml_h", "rate_ml_h"))
        return f"{before} to {after} mL/h", _times(row["factor"], decimal), ""

    return _list(con, "report_moments", month, what, text)


def _list(
    con: duckdb.DuckDBPyConnection, relation: str, month: str, what: str,
    text: Callable[[_Row], tuple[str, str, str]],
) -> CaseList:  # fmt: skip
    # The relation is in its own order: date, shift, then names; nothing is ranked.
    chosen = con.sql(f"select * from {relation} where month = $1 and what = $2", params=[month, what])
    found = chosen.to_arrow_table().to_pylist()
    cases = []
    for row in found[:MOST_CASES]:
        told, size, outcome = text(row)
        cases.append(
            Case(
                date=row["happened_on"].isoformat(),
                shift=row["shift"],
                area=row["care_area"],
                entry=row["entry"] or "no entry",
                what=told,
                size=size,
                outcome=outcome,
                source=row["source_file"] or row["source"],
                sha256=(row["source_file_sha256"] or "")[:12],
                record="" if row["source_record"] is None else str(row["source_record"]),
            )
        )
    left = len(found) - len(cases)
    more = f"{whole(left)} {plural(left, 'more case')} not shown here." if left else ""
    return CaseList(cases=tuple(cases), more=more)


def _with_unit(value: float | None, unit: str | None, decimal: str) -> str:
    text = words.number(value, decimal)
    return f"{text} {unit}" if text and unit else text


def _times(value: float | None, decimal: str) -> str:
    return "" if value is None else f"{words.number(float(f'{value:.3g}'), decimal)} times"
