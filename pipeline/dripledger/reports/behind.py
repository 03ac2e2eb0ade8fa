"""The lists behind the figures: which list, which column, and how its rows add up to a numerator."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Final

import duckdb
import pyarrow as pa

from dripledger.measures import MEASURES, Part
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
    "powered": "the powered-on hours of one pump",
    "in_alarm": "one stretch in which a pump had an alarm; overlapping alarms are one",
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
    shown_by
        The measure whose pages show these very rows; empty: its own.
    """

    list: str
    column: str
    counted: str = ""
    rest: str = ""
    amount: str = ""
    groups: dict[str, str] = field(default_factory=dict)
    shown_by: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether numerator and denominator are rows of the same list."""
        return bool(self.rest or self.groups)

    @property
    def is_sum(self) -> bool:
        """Whether the denominator is the sum of several parts."""
        return bool((self.counted and self.rest) or self.groups)

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
    "infusion_override_share": Behind(
        "attempts", "infusion_override_share",
        "the first soft-limit attempt of an infusion that ran past one", "of an infusion that ran past none",
    ),
    "override_repeat_share": Behind(
        "attempts", "override_repeat_share", "repeats one of its infusion", "the first of its infusion"
    ),
    "override_under_3s_share": Behind(
        "attempts", "override_under_3s_share", "within 3 s of the last alert", "later"
    ),
    "soft_alerts_per_100_infusions": Behind(
        "programmings", "soft_alert_share", "met a soft limit", shown_by="soft_alert_share"
    ),
    "hard_alerts_per_100_infusions": Behind(
        "programmings", "hard_alert_share", "met a hard limit", shown_by="hard_alert_share"
    ),
    "delivery_alarm_rate": Behind("alarms", "delivery_alarm_rate", "delivery alarms in running infusions"),
    "pump_alarm_rate": Behind("alarms", "pump_alarm_rate", "alarms of battery, power or fault"),
    "alarm_minutes": Behind("in_alarm", "alarm_minutes", "in alarm", amount="minutes"),
    "alarm_time_to_clear": Behind("alarms", "alarm_time_to_clear", "seen to be cleared", "not seen to be"),
    "alarm_time_to_first_response": Behind(
        "alarms", "alarm_time_to_first_response", "seen to be silenced or cleared", "not seen to be"
    ),
    "delivery_lost": Behind("stops", "delivery_lost", "stopped by an alarm", amount="minutes"),
    "user_rate_changes": Behind("rate_changes", "user_rate_changes", "changes of rate by a user"),
    "stale_library_share": Behind(
        "starts", "stale_library_share", "started on an out-of-date library", "started on a current one"
    ),
}  # fmt: skip

#: What the denominators are made of, where that is another list than the numerator's.
OVER: Final = {
    **{
        measure: Behind("running", measure, rest="ran", amount="running_hours")
        for measure in ("delivery_alarm_rate", "delivery_lost", "user_rate_changes")
    },
    **{
        measure: Behind("powered", measure, rest="powered on", amount="powered_on_hours")
        for measure in ("pump_alarm_rate", "alarm_minutes")
    },
    **{
        measure: Behind("starts", measure, rest="in-library infusions that began")
        for measure in ("soft_alerts_per_100_infusions", "hard_alerts_per_100_infusions")
    },
}
_OVER_TITLES: Final = {
    "running": "Running hours", "powered": "Powered-on hours", "starts": "In-library infusions",
}  # fmt: skip

#: Lists that are added up by entry or by pump as well, because a page shows that sum.
BY_ENTRY: Final = ("soft_alert_share", "override_share")
BY_PUMP: Final = ("delivery_alarm_rate", "pump_alarm_rate", "stale_library_share")


def over_title(measure: str) -> str:
    """Return the title of the list that a denominator is made of."""
    return _OVER_TITLES[OVER[measure].list]


def over_names(lists: Mapping[str, Sequence[Row]]) -> dict[str, str]:
    """Return, for each measure of `OVER`, the name of the pages of its denominator.

    Measures over the very same rows share them: the first one's.
    """
    known: dict[tuple[str, tuple[str, ...]], str] = {}
    return {
        measure: known.setdefault(
            (over.list, tuple(row[over.column] for row in lists[over.list])), f"over_{measure}"
        )
        for measure, over in OVER.items()
    }


def split_columns(measure: str) -> dict[str, dict[str, str]]:
    """Return the columns of its list by which a measure has rows of its own: values, and their words."""
    found: dict[str, dict[str, str]] = {}
    for part in MEASURES[measure].parts:
        if part.column and not BEHIND[measure].groups:
            found.setdefault(part.column, {})[part.value] = part.title
    return found


def read_lists(con: duckdb.DuckDBPyConnection) -> dict[str, pa.Table]:
    """Read every list of the report's month, each in its own order."""
    return {name: con.sql(f"select * from list_{name}").to_arrow_table() for name in LISTS}


def without_times(table: pa.Table) -> pa.Table:
    """Return a list as pages and tables beside them carry it: date and shift, no clock time."""
    return table.drop_columns([name for name in table.column_names if name == "local_time"])


def measure_of(row_name: str) -> str:
    """Return the measure of `BEHIND` that a row of the table of measures belongs to; '' for none."""
    return next((name for name in BEHIND if row_name in MEASURES[name].rows), "")


def part_of(row_name: str) -> Part | None:
    """Return the part of its measure that a row of the table of measures is; None for the whole."""
    return MEASURES[measure_of(row_name)].rows[row_name]


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
