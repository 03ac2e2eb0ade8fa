"""Alarms of the whole facility: by kind and priority, how long they last, and what no figure counts."""

from __future__ import annotations

from typing import Final

from dripledger.measures.alarm_definitions import DELIVERY_ALARMS, PUMP_ALARMS
from dripledger.reports.alerts import apart
from dripledger.reports.blocks import Block, Heading, Text
from dripledger.reports.figure_tables import by_part, left_out
from dripledger.reports.material import Material
from dripledger.schema.codes import ALARM_PRIORITIES

_TIMES: Final = (
    ("alarm_time_to_clear_p25", "A quarter cleared within"),
    ("alarm_time_to_clear", "Half cleared within"),
    ("alarm_time_to_clear_p75", "Three quarters cleared within"),
    ("alarm_time_to_clear_p90", "Nine of ten cleared within"),
    ("alarm_time_to_first_response", "Half answered within"),
)
_APART: Final = {
    "alarms_not_running": (
        "delivery alarms with nothing running",
        "raised while the channel was neither running, in a bolus nor kept open; in no rate",
    ),
    "alarms_other": ("alarms of no known kind", "in no rate; say in the mapping what they are"),
    "clears_alone": (
        "clearings that ended no alarm",
        "none was open there, or several were and the clearing names none of them; an alarm whose clearing "
        "nobody can tell counts as lasting until its infusion, power or log ends",
    ),
    "alarms_maintenance": ("alarms in maintenance", "in no figure"),
    "alarms_training": ("alarms in training", "in no figure"),
}
_PRIORITIES: Final = {
    f"priority_{name}": f"delivery alarms of priority {name}" for name in ALARM_PRIORITIES
} | {"priority_not_stated": "delivery alarms without a priority"}


def alarm_blocks(material: Material) -> list[Block]:
    """Return the figures of alarms of the whole facility."""
    # Only kinds and priorities that were heard: a list of noughts tells a committee nothing.
    lines = [
        (f"{text[0].upper()}{text[1:]}", (f"{measure}_{part}",))
        for measure, parts in (
            ("delivery_alarm_rate", DELIVERY_ALARMS),
            ("pump_alarm_rate", PUMP_ALARMS),
            ("delivery_alarm_rate", _PRIORITIES),
        )
        for part, text in parts.items()
        if (material.row(f"{measure}_{part}") or {}).get("numerator")
    ]
    return [
        Heading("By kind and priority", "kinds"),
        Text(
            "Delivery alarms over running channel-hours, battery, power and fault alarms over powered-on "
            "pump-hours. Kinds that were not heard are left away."
        ),
        by_part(material, "Alarm", ("Per 100 hours",), lines),
        Heading("How long alarms last", "times"),
        Text(
            "Kaplan-Meier estimates: an alarm not seen to end counts as lasting at least as long as it was "
            "seen. Counts: seen to end, of all."
        ),
        by_part(material, "What", ("Time",), [(title, (name,)) for name, title in _TIMES]),
        *left_out(material, ["delivery_alarm_rate", "pump_alarm_rate", *(name for name, _ in _TIMES)]),
        *apart(material, _APART),
    ]
