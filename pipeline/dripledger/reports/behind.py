"""The lists behind the figures: which list, which column, and how its rows add up to a numerator."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Final

import duckdb
import pyarrow as pa

from dripledger.measures import MEASURES
from dripledger.measures.limit_definitions import OUTCOME_WORDS
from dripledger.reports.naming import slug

Row = dict[str, Any]

#: Lists in the order in which they stand in the workbook, with what one row is.
LISTS: Final = {
    "attempts": "one human effort that met a limit",
    "starts": "one start of an infusion",
    "running": "the running hours of one infusion under one entry in one care area",
    "programmings": "one confirmed start, change or bolus in the library, or an attempt that ended with none",
    "alarms": "one alarm",
    "stops": "one stretch in which an alarm stood a delivery still",
    "rate_changes": "one change of rate by a user",
}
#: The tables beside the pages; the older names of two of them are taken by lists of cases.
CSV_NAMES: Final = {name: f"lists/{name}.csv" for name in LISTS}


@dataclass(frozen=True, slots=True)
class Behind:
    """The list behind a measure.

    Parameters
    ----------
    list
        Which list.
    column
        Its column that says what a row counts as.
    counted, rest
        Words for rows in the numerator, and for the rest of the denominator.
    amount
        Column to add up; empty: rows are counted.
    groups
        Values of `column` with their words, where a measure has one row a value (outcomes).
    """

    list: str
    column: str
    counted: str = ""
    rest: str = ""
    amount: str = ""
    groups: dict[str, str] = field(default_factory=dict)

    @property
    def parts(self) -> dict[str, str]:
        """Values of the column that are shown, with their words, in order."""
        if self.groups:
            return {**self.groups, "left out": LEFT_OUT}
        told = {"counted": self.counted, "not counted": self.rest, "left out": LEFT_OUT}
        return {value: text for value, text in told.items() if text}


LEFT_OUT: Final = "left out: not known, or from a source that does not record it"

BEHIND: Final = {
    "library_use_starts": Behind(
        "starts", "library_use_starts", "started under an entry", "started outside the library"
    ),
    "library_use_hours": Behind(
        "running", "library_use_hours", "ran under an entry", "ran outside the library", "running_hours"
    ),
    "protected_share": Behind(
        "starts", "protected_share", "started with a hard high limit in force", "started without one"
    ),
    "soft_alert_share": Behind("programmings", "soft_alert_share", "met a soft limit", "met none"),
    "hard_alert_share": Behind("programmings", "hard_alert_share", "met a hard limit", "met none"),
    "outcomes_soft": Behind("attempts", "outcomes_soft", groups=dict(OUTCOME_WORDS)),
    "outcomes_hard": Behind("attempts", "outcomes_hard", groups=dict(OUTCOME_WORDS)),
    "override_share": Behind("attempts", "override_share", "overridden", "not overridden"),
    "left_library_share": Behind("attempts", "left_library_share", "left the library", "did not"),
    "far_overrides": Behind(
        "attempts", "far_overrides", "at twice the limit or more", "nearer to the limit"
    ),
    "delivery_alarm_rate": Behind("alarms", "delivery_alarm_rate", "delivery alarms in running infusions"),
    "pump_alarm_rate": Behind("alarms", "pump_alarm_rate", "alarms of battery, power or fault"),
    "delivery_lost": Behind("stops", "delivery_lost", "stopped by an alarm", amount="minutes"),
    "user_rate_changes": Behind("rate_changes", "user_rate_changes", "changes of rate by a user"),
    "stale_library_share": Behind(
        "starts", "stale_library_share", "started on an out-of-date library", "started on a current one"
    ),
}  # fmt: skip


def read_lists(con: duckdb.DuckDBPyConnection) -> dict[str, pa.Table]:
    """Read every list of the report's month, each in its own order."""
    return {name: con.sql(f"select * from list_{name}").to_arrow_table() for name in LISTS}


def without_times(table: pa.Table) -> pa.Table:
    """Return a list as pages and tables beside them carry it: date and shift, no clock time."""
    return table.drop_columns(["local_time"])


def measure_of(row_name: str) -> str:
    """Return the measure of `BEHIND` that a row of the table of measures belongs to; '' for none."""
    if row_name in BEHIND:
        return row_name
    for name, behind in BEHIND.items():
        if behind.groups and row_name.startswith(f"{name}_") and row_name in MEASURES[name].rows:
            return name
    return ""


def page_name(measure: str, area: str) -> str:
    """Return the first page of the list behind a measure in an area."""
    return f"lists/{measure}-{slug(area)}.html" if area else f"lists/{measure}.html"


def anchor(part: str) -> str:
    """Return the anchor of a part of a list."""
    return part.replace(" ", "-")


def amount(rows: Iterable[Row], behind: Behind) -> Decimal:
    """Add up rows: how many, or the amounts that they hold."""
    if behind.amount:
        return sum((row[behind.amount] for row in rows), Decimal(0))
    return Decimal(sum(1 for _ in rows))
