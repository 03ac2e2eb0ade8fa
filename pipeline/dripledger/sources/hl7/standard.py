"""What the standard's fields, events and alarms mean: the declarations that ``canonical = true`` stands for.

A mapping with ``shape = "hl7"`` and ``canonical = true`` begins with these tables and may replace or add
any entry of them. Nothing about people is among them: a mapping that wants `patient_key` or `order_key`
says so itself.

The profile cannot say everything. It has no event for a rate change, a limit alert, an override or a
bypass: library use is inferred from what a start carries, and marked so. A start that names a care area of
the library is taken as `limited` (whether the entry has limits is in the drug library, not in the message).
One that names none is `bypassed` where it is a plain rate; where it names a drug, a concentration or a dose
it may be either, and is `unknown`: a message that was cut short, or leaves the care area out, must not count
as outside. The library's version decides nothing: it is told of the pump, whatever runs. A pump that never
sends a care area needs ``library_use = { value = "unknown" }``.
"""

from __future__ import annotations

from collections.abc import Mapping as Map
from typing import Any, Final

from dripledger.sources.hl7.fields import FIELDS, PERSONAL

_START: Final = "MDC_EVT_PUMP_DELIV_START"
_STOP: Final = "MDC_EVT_PUMP_DELIV_STOP"
_COMPLETE: Final = "MDC_EVT_PUMP_DELIV_COMP"
_ALARM: Final = "MDC_EVT_ALARM"

# The label of a record: the event's name; where the name alone does not say what happened, one word more.
_LABEL: Final = (
    "case "
    f"when event = '{_START}' and delivery_status = 'pump-delivery-status-kvo' then '{_START} kvo' "
    "when event = 'MDC_EVT_PATIENT_PARAMETER_CHANGE' and weight is not null "
    "then 'MDC_EVT_PATIENT_PARAMETER_CHANGE weight' "
    f"when event <> '{_ALARM}' then event "
    "when alert_phase in ('update', 'continue', 'present', 'inactivate') and alert_inactivation in "
    "('audio-paused', 'audio-off', 'alarm-paused', 'alarm-off', 'alert-acknowledged') "
    f"then '{_ALARM} silenced' "
    f"when alert_phase is not null then '{_ALARM} ' || alert_phase "
    f"when alert_state = 'inactive' then '{_ALARM} end' "
    f"when alert_state in ('active', 'latched') then '{_ALARM} update' "
    "else event end"
)
# A start by the user: what the pump starts by itself at its keep-open rate says nothing about the library.
_USER_START: Final = f"event = '{_START}' and coalesce(delivery_status, '') <> 'pump-delivery-status-kvo'"

_STANDARD_FIELDS: Final[dict[str, Any]] = {
    "pump_id": "pump",
    "channel": "channel",
    "channel_device_id": "channel_device",
    "device_time": "event_time",
    "received_at": "received_time",
    "kind": {"expr": _LABEL},
    "care_area": "care_area",
    "location": "location",
    "library_version": "library_version",
    "library_use": {
        "expr": f"case when {_USER_START} then "
        "case when care_area is not null then 'limited' "
        "when entry is not null or concentration is not null or dose_rate is not null then 'unknown' "
        "else 'bypassed' end end"
    },
    "library_use_basis": {"expr": f"case when {_USER_START} then 'inferred' end"},
    "entry": "entry",
    "concentration_value": {"field": "concentration", "unit_field": "concentration_unit"},
    "rate_ml_h": {"field": "rate", "unit_field": "rate_unit"},
    "dose_value": {"field": "dose_rate", "unit_field": "dose_rate_unit"},
    "volume_to_infuse_ml": {"field": "volume_to_infuse", "unit_field": "volume_to_infuse_unit"},
    "programmed_duration_s": {"field": "time_remaining", "unit_field": "time_remaining_unit"},
    "weight_kg": {"field": "weight", "unit_field": "weight_unit"},
    "delivery_mode": {"expr": "replace(delivery_mode, 'pump-program-delivery-mode-', '')"},
    "fluid_source": {"expr": "coalesce(active_source, source)"},
    "stop_reason": {"expr": "replace(not_delivering_reason, 'pump-stopped-', '')"},
    # only so does a message tell that an alarm stopped the delivery, whatever its own declaration says
    "stops_delivery": {
        "expr": f"case when event = '{_STOP}' and not_delivering_reason = 'pump-stopped-alarming' "
        "then 'true' end"
    },
    # a stop that says transitioning may still report the old flow: only where delivery goes on does it count
    "running_logged": {
        "expr": "case when infusing_status = 'pump-status-infusing' "
        f"and event not in ('{_STOP}', '{_COMPLETE}', '{_ALARM}') then 'true' end"
    },
    "alarm_id": "alert_id",
    "alarm_label": {"expr": "coalesce(alert_code, alert_text)"},
    "alarm_type": "alert_type",
    "alarm_priority": "alert_priority",
    "volume_delivered_ml": {"field": "volume_reported", "unit_field": "volume_reported_unit"},
    "volume_scope": "volume_scope",
}

_KEPT_AS_OTHER: Final = {"kind": "other"}
_RAISED, _UPDATED, _CLEARED, _SILENCED = "alarm_raised", "alarm_updated", "alarm_cleared", "alarm_silenced"
_STANDARD_KINDS: Final[dict[str, Any]] = {
    _START: "infusion_started",
    f"{_START} kvo": "kvo_started",
    _STOP: "infusion_stopped",
    _COMPLETE: "infusion_completed",
    # lost or back again: the parameter that says which has no printed code
    "MDC_EVT_COMM_STATUS_CHANGE": _KEPT_AS_OTHER,
    "MDC_EVT_PUMP_PROG_CLEARED": _KEPT_AS_OTHER,
    "MDC_EVT_PUMP_AUTO_PROG_CLEARED": _KEPT_AS_OTHER,
    "MDC_EVT_PATIENT_CHANGE": "patient_changed",
    "MDC_EVT_PATIENT_ID_CHANGE": "patient_changed",
    "MDC_EVT_PATIENT_PARAMETER_CHANGE": _KEPT_AS_OTHER,
    "MDC_EVT_PATIENT_PARAMETER_CHANGE weight": "weight_changed",
    "MDC_EVT_PUMP_VOL_COUNTERS_CLEARED": "totals_cleared",
    "MDC_EVT_DEVICE_TIME_CHANGED": "clock_set",
    # an alert of a moment begins and ends at once
    f"{_ALARM} tpoint": [{"kind": _RAISED}, {"kind": _CLEARED}],
    f"{_ALARM} start": _RAISED,
    f"{_ALARM} start_only": _RAISED,
    f"{_ALARM} continue": _UPDATED,
    f"{_ALARM} present": _UPDATED,
    f"{_ALARM} update": _UPDATED,
    f"{_ALARM} escalate": _UPDATED,
    f"{_ALARM} deescalate": _UPDATED,
    f"{_ALARM} inactivate": _UPDATED,
    f"{_ALARM} silenced": _SILENCED,
    f"{_ALARM} acknowledged": _SILENCED,
    f"{_ALARM} end": _CLEARED,
    f"{_ALARM} reset": _CLEARED,
    f"{_ALARM} stop": _CLEARED,
}

# Which alarm is of which kind: common practice, no source. Whether one stops delivery is the device's
# affair: it is not declared here, so that a stretch after an alarm whose effect nobody declared is `unknown`.
_STANDARD_ALARMS: Final[dict[str, Any]] = {
    "MDC_EVT_FLUID_LINE_OCCL": {"kind": "occlusion"},
    "MDC_EVT_OCCL": {"kind": "occlusion"},
    "MDC_EVT_FLUID_LINE_PROB": {"kind": "set_or_syringe"},
    "MDC_EVT_FLUID_LINE_AIR": {"kind": "air_in_line"},
    "MDC_EVT_FLUID_LINE_FREE_FLOW": {"kind": "free_flow"},
    "MDC_EVT_DOOR_OR_HANDLE_POSN_ERR": {"kind": "door_open"},
    "MDC_EVT_DOOR_OPEN": {"kind": "door_open"},
    "MDC_EVT_SYRINGE_REPLACE_WARN": {"kind": "near_end"},
    "MDC_EVT_EMPTY": {"kind": "empty"},
    "MDC_EVT_BATT_LO": {"kind": "low_battery", "stops_delivery": False},
    "MDC_EVT_BATT_FAIL": {"kind": "battery_empty"},
    "MDC_EVT_BATT_MALF": {"kind": "fault"},
    "MDC_EVT_INOP": {"kind": "fault"},
    "MDC_EVT_DISCONN": {"kind": "other"},
    "MDC_EVT_STANDBY": {"kind": "no_action", "stops_delivery": False},
    "MDC_EVT_ALARM_SILENCE": {"kind": "other", "stops_delivery": False},
}

_SOURCES: Final = ("primary", "secondary", "loading", "pca", "clinician", "intermittent")
_STANDARD_VALUES: Final[dict[str, dict[str, Any]]] = {
    "alarm_priority": {"PH": "high", "PM": "medium", "PL": "low", "PN": "none"},
    "alarm_type": {"SP": "physiological", "ST": "technical", "SA": "advisory"},
    "fluid_source": {
        **{f"pump-source-info-{word}": word for word in _SOURCES},
        **{f"MDC_DEV_PUMP_INFUSATE_SOURCE_{word.upper()}": word for word in _SOURCES},
    },
    "volume_scope": {"total": "since_cleared", "segment": "segment", "delivered": "infusion"},
}

_STANDARD_IGNORE: Final = (
    {
        "when": "coalesce(message, '') <> 'ORU' or coalesce(trigger, '') not in ('R42', 'R40')",
        "reason": "neither an infusion event (ORU^R42) nor an alert (ORU^R40)",
    },
)
# Content alone: one control id may stand on two events, and a message that is sent again may have another.
_STANDARD_IDENTITY: Final = (
    "pump",
    "channel",
    "source_path",
    "event_time",
    "event",
    "delivery_status",
    "not_delivering_reason",
    "active_source",
    "rate",
    "rate_unit",
    "dose_rate",
    "dose_rate_unit",
    "entry",
    "concentration",
    "care_area",
    "volume_to_infuse",
    "volume_reported",
    "weight",
    "alert_id",
    "alert_code",
    "alert_text",
    "alert_phase",
    "alert_state",
    "alert_inactivation",
    "alert_priority",
)


def with_standard(data: Map[str, Any]) -> dict[str, Any]:
    """Return a mapping's declarations with the standard's beneath them.

    Parameters
    ----------
    data
        The mapping as it is written; what it declares itself wins, entry by entry.
    """
    told = dict(data)
    values = told.get("values", {})
    tables = [told.get(key, {}) for key in ("fields", "kinds", "alarms")] + [values]
    tables += values.values() if isinstance(values, dict) else []
    if not all(isinstance(t, dict) for t in tables) or not isinstance(told.get("ignore", []), list):
        # written wrongly: the models say so, and say it better
        return told
    for key, standard in (
        ("fields", _STANDARD_FIELDS), ("kinds", _STANDARD_KINDS), ("alarms", _STANDARD_ALARMS)
    ):  # fmt: skip
        told[key] = {**standard, **told.get(key, {})}
    told["values"] = {
        n: {**_STANDARD_VALUES.get(n, {}), **values.get(n, {})} for n in {**_STANDARD_VALUES, **values}
    }
    told["ignore"] = [*_STANDARD_IGNORE, *told.get("ignore", ())]
    told.setdefault("identity", {"fields": list(_STANDARD_IDENTITY)})
    return told


def check_fields(read: tuple[str, ...], keyed: frozenset[str]) -> None:
    """Refuse a mapping that reads what no message has, or reads a personal field as it is.

    Parameters
    ----------
    read
        The raw fields that the mapping reads.
    keyed
        Those that it keys.

    Raises
    ------
    ValueError
        With a sentence for people.
    """
    for name in read:
        if name not in FIELDS:
            raise ValueError(f"a device message has no field {name!r}; there are: {', '.join(FIELDS)}")
        if name in PERSONAL and name not in keyed:
            raise ValueError(f"the field {name!r} is about a person: read it with personal = 'key'")
