"""Allowed values of coded columns, each with the sentence that documents it."""

from __future__ import annotations

from typing import Final

#: What one event can be: kind -> meaning.
EVENT_KINDS: Final[dict[str, str]] = {
    "powered_on": "the pump was switched on",
    "powered_off": "the pump was switched off",
    "power_source_changed": "mains or battery took over",
    "power_lost": "the pump lost power: read as switched off",
    "care_area_selected": "a care area was chosen at the pump",
    "patient_changed": "a new patient was confirmed or the patient data were cleared",
    "weight_changed": "a patient weight was entered",
    "clock_set": "the pump's clock was set",
    "totals_cleared": "the volume counters were set to zero",
    "standby_entered": "the channel was put into standby",
    "standby_left": "the channel left standby",
    "library_received": "a drug library arrived at the pump",
    "library_installed": "a drug library came into force at the pump",
    "infusion_started": "delivery began",
    "rate_changed": "the rate or dose changed",
    "programme_changed": "volume, time or concentration of the programme changed",
    "infusion_paused": "a user paused delivery",
    "infusion_resumed": "delivery went on",
    "infusion_completed": "the programmed volume was delivered",
    "infusion_stopped": "delivery ended",
    "kvo_started": "the pump went on at its keep-open rate",
    "bolus_started": "a bolus began",
    "bolus_ended": "a bolus ended",
    "priming_started": "priming or purging began",
    "priming_ended": "priming or purging ended",
    "dose_cycle_started": "one dose of an intermittent programme began",
    "dose_cycle_ended": "one dose of an intermittent programme ended",
    "demand_requested": "the patient asked for a dose",
    "demand_given": "a demand dose was given",
    "demand_refused": "a demand dose was refused",
    "volume_reported": "the pump reported a volume delivered",
    "limit_alerted": "a limit of the library was crossed and the pump warned",
    "limit_overridden": "a soft limit was confirmed past",
    "reprogrammed_within_limits": "after a warning the programme was brought within limits",
    "attempt_cancelled": "after a warning the programme was given up",
    "library_bypassed": "the user left the drug library",
    "alarm_raised": "an alarm condition began",
    "alarm_updated": "an alarm condition changed or sounded again",
    "alarm_silenced": "the alarm sound was paused",
    "alarm_cleared": "an alarm condition ended",
    "fault_logged": "the device found a fault in itself",
    "door_opened": "the door was opened",
    "door_closed": "the door was closed",
    "set_or_syringe_loaded": "a set or syringe was loaded",
    "order_received": "an order arrived at the pump",
    "order_accepted": "an order was accepted at the pump",
    "order_rejected": "an order was rejected at the pump",
    "settings_changed": "a setting of the device changed",
    "communication_lost": "the network connection was lost",
    "communication_restored": "the network connection came back",
    "key_pressed": "a key was pressed",
    "other": "a label that nobody has filed yet",
}

LIBRARY_USES: Final = ("limited", "no_limit_entry", "bypassed", "unknown")
LIBRARY_USE_BASES: Final = ("logged", "inferred")
TIME_QUALITIES: Final = ("ambiguous", "nonexistent", "corrected", "exact")
FLUID_SOURCES: Final = ("primary", "secondary", "loading", "pca", "clinician", "intermittent")
INITIATORS: Final = ("user", "pump", "order")
LIMIT_KINDS: Final = ("soft", "hard")
LIMIT_SIDES: Final = ("low", "high")
#: What a limit can be on; `rate_change`: the step from the running value to the new one.
LIMIT_QUANTITIES: Final = (
    "dose_rate", "flow_rate", "bolus_dose", "concentration", "volume", "duration", "weight", "rate_change",
)  # fmt: skip
HARM_SIDES: Final = ("over", "under")
DECISIONS: Final = ("overridden", "within_limits", "cancelled", "left_library")
ALARM_KINDS: Final = (
    "occlusion", "air_in_line", "door_open", "set_or_syringe", "free_flow", "near_end", "end_of_infusion",
    "empty", "no_action", "low_battery", "battery_empty", "power", "fault", "limit_alert", "other",
)  # fmt: skip
ALARM_PRIORITIES: Final = ("high", "medium", "low", "none")
VOLUME_SCOPES: Final = ("segment", "infusion", "since_cleared")
USE_CONTEXTS: Final = ("clinical", "maintenance", "training", "unknown")
PUMP_TYPES: Final = ("large_volume", "syringe", "pca", "ambulatory", "other")
STATES: Final = (
    "running", "bolus", "paused", "stopped_by_alarm", "standby", "delayed", "between_doses", "priming",
    "keep_open", "unknown",
)  # fmt: skip
START_KINDS: Final = (
    "start", "entry_changed", "concentration_changed", "left_library", "entered_library", "patient_change",
    "missing",
)  # fmt: skip
END_KINDS: Final = (
    "stopped", "completed", "powered_off", "patient_change", "superseded", "stop_missing", "open",
)  # fmt: skip
PHASES: Final = ("start", "change", "bolus")
OUTCOMES: Final = ("overridden", "within_limits", "left_library", "unchanged", "cancelled", "unknown")
MEASURE_STATUSES: Final = ("ok", "small", "not_measurable", "no_data", "provisional")
#: What a label stands as until a person files it.
UNMAPPED: Final = "unmapped"

#: Order of events of one pump at one instant where neither sequence nor file rank tells: what ends comes
#: before what begins, and what a start depends on comes before the start.
TIE_ORDER: Final = (
    "clock_set", "volume_reported", "bolus_ended", "dose_cycle_ended", "priming_ended", "alarm_raised",
    "alarm_updated", "alarm_silenced", "fault_logged", "door_opened", "infusion_paused",
    "infusion_completed", "infusion_stopped", "standby_entered", "power_source_changed",
    "communication_lost", "totals_cleared", "powered_off", "power_lost", "powered_on",
    "communication_restored", "library_received", "library_installed", "settings_changed", "key_pressed",
    "care_area_selected", "patient_changed", "weight_changed", "order_received", "order_accepted",
    "order_rejected", "set_or_syringe_loaded", "door_closed", "alarm_cleared", "standby_left",
    "library_bypassed", "limit_alerted", "limit_overridden", "reprogrammed_within_limits",
    "attempt_cancelled", "programme_changed", "priming_started", "infusion_started", "infusion_resumed",
    "rate_changed", "kvo_started", "dose_cycle_started", "demand_requested", "demand_given",
    "demand_refused", "bolus_started", "other",
)  # fmt: skip
if set(TIE_ORDER) != set(EVENT_KINDS):
    raise ValueError("TIE_ORDER and EVENT_KINDS name different kinds")
