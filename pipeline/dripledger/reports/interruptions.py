"""The parts of the page on alarms and on changes."""

from __future__ import annotations

from typing import Final

import duckdb

from dripledger.measures.alarm_definitions import DELIVERY_ALARMS, PUMP_ALARMS
from dripledger.reports.alerts import apart
from dripledger.reports.cases import moments
from dripledger.reports.grid import Row, by_area, by_part, left_out, totals
from dripledger.reports.model import Alarms, Changes
from dripledger.schema.codes import ALARM_PRIORITIES

_ALARM_COLUMNS: Final = (
    ("delivery_alarm_rate", "Delivery alarms per 100 running h", "h"),
    ("delivery_lost", "Minutes stopped by an alarm per 100 running h", "h"),
    ("alarm_time_to_clear", "Median time to clearing", "alarms"),
    ("alarm_time_to_clear_p90", "Nine of ten cleared within", "alarms"),
    ("alarm_time_to_first_response", "Median time to first response", "alarms"),
)
_TOTALS: Final = (
    ("delivery_alarm_rate", "Delivery alarms per 100 running channel-hours", "alarms / h"),
    ("pump_alarm_rate", "Battery, power and fault alarms per 100 powered-on pump-hours", "alarms / h"),
    ("alarm_minutes", "Minutes in alarm per 100 powered-on pump-hours, overlaps once", "min / h"),
    ("delivery_lost", "Minutes stopped by an alarm per 100 running hours", "min / h"),
    ("alarm_time_to_clear_p25", "A quarter cleared within", "seen to clear / alarms"),
    ("alarm_time_to_clear", "Half cleared within", "seen to clear / alarms"),
    ("alarm_time_to_clear_p75", "Three quarters cleared within", "seen to clear / alarms"),
    ("alarm_time_to_first_response", "Half answered within", "seen answered / alarms"),
)
_APART: Final = {
    "alarms_not_running": (
        "delivery alarms with nothing running",
        "raised while the channel was neither running, in a bolus nor kept open; in no rate",
    ),
    "alarms_other": ("alarms of no known kind", "in no rate; say in the mapping what they are"),
    "alarms_maintenance": ("alarms in maintenance", "in no figure"),
    "alarms_training": ("alarms in training", "in no figure"),
}
_CHANGE_COLUMNS: Final = (
    ("user_rate_changes", "User rate changes per 100 running h", "h"),
    ("stale_library_share", "Starts on an older library", "starts"),
)


_PRIORITIES: Final = {
    f"priority_{name}": f"delivery alarms of priority {name}" for name in ALARM_PRIORITIES
} | {"priority_not_stated": "delivery alarms without a priority"}


def _lines(measure: str, parts: dict[str, str]) -> list[tuple[str, str]]:
    return [(f"{text[0].upper()}{text[1:]}", f"{measure}_{part}") for part, text in parts.items()]


def compose_alarms(
    con: duckdb.DuckDBPyConnection,
    month: str,
    rows: list[Row],
    facility: dict[str, Row],
    decimal: str,
    hide: str,
    high_alert_known: bool,
) -> Alarms:
    """Compose the part on alarms; parameters as for `compose_warnings`, and whether entries are flagged."""
    # Only kinds and priorities that were heard: a list of noughts tells a committee nothing.
    lines = [
        (title, (name,))
        for title, name in (
            *_lines("delivery_alarm_rate", DELIVERY_ALARMS),
            *_lines("pump_alarm_rate", PUMP_ALARMS),
            *_lines("delivery_alarm_rate", _PRIORITIES),
        )
        if facility[name]["numerator"]
    ]
    return Alarms(
        areas=by_area(rows, _ALARM_COLUMNS, decimal, hide),
        kinds=by_part(facility, lines, (("Per 100 hours", "h"),), decimal, hide),
        totals=totals(facility, _TOTALS, decimal, hide),
        left_out=left_out(facility, (name for name, _, _ in _TOTALS), decimal, hide),
        apart=apart(con, month, _APART),
        stops=moments(con, month, "long_stop", decimal),
        high_alert_known=high_alert_known,
    )


def compose_changes(
    con: duckdb.DuckDBPyConnection, month: str, rows: list[Row], decimal: str, hide: str
) -> Changes:
    """Compose the part on changes of rate and of the library; parameters as for `compose_warnings`."""
    return Changes(
        areas=by_area(rows, _CHANGE_COLUMNS, decimal, hide),
        big=moments(con, month, "rate_change", decimal),
    )
