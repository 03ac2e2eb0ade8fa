"""Terms of ISO/IEEE 11073-10101 that pump messages use: each with its number, its name and its source.

A term is matched on its reference name first and on its number second: texts of 2015 print 0 for terms that
were pending then. Sources: IHE PCD Technical Framework Vol. 2 Rev. 9.0 and 8.0, supplement IPEC Rev. 1.5
(2015).

Marks: ``V1`` read in the source itself; ``V1*`` the term was read there and the number is computed from it
(partition x 65536 + term); ``M`` number or name from memory or by pattern, not verified.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

Mark = Literal["V1", "V1*", "M"]
#: How a value is written: number with unit, coded value, text, nothing (the head of a device level).
Form = Literal["number", "coded", "text", "head"]
#: Where an observation may stand: at the source of the event or above it, or in the delivery information too.
Scope = Literal["source", "info"]


@dataclass(frozen=True, slots=True)
class Term:
    """One event or alarm.

    Parameters
    ----------
    name
        Its reference name.
    number
        Its number in 11073-10101; None where no source prints one.
    mark
        How sure the pair of name and number is.
    """

    name: str
    number: int | None
    mark: Mark


@dataclass(frozen=True, slots=True)
class Observation:
    """One kind of OBX segment that is read.

    Parameters
    ----------
    name, number, mark
        As in `Term`; an attribute's number may be None.
    field
        The raw field that its value becomes; a number's unit becomes ``{field}_unit``.
    form, scope
        How its value is written, and where it may stand.
    """

    name: str
    number: int | None
    mark: Mark
    field: str
    form: Form
    scope: Scope = "source"


EVENTS: Final = (
    Term("MDC_EVT_PUMP_DELIV_START", 197288, "V1"),
    Term("MDC_EVT_PUMP_DELIV_STOP", 197290, "M"),
    Term("MDC_EVT_PUMP_DELIV_COMP", 197292, "M"),
    Term("MDC_EVT_COMM_STATUS_CHANGE", None, "V1"),
    Term("MDC_EVT_PUMP_PROG_CLEARED", None, "V1"),
    Term("MDC_EVT_PUMP_AUTO_PROG_CLEARED", None, "V1"),
    Term("MDC_EVT_PATIENT_CHANGE", None, "V1"),
    Term("MDC_EVT_PATIENT_ID_CHANGE", None, "V1"),
    Term("MDC_EVT_PATIENT_PARAMETER_CHANGE", None, "V1"),
    Term("MDC_EVT_PUMP_VOL_COUNTERS_CLEARED", None, "V1"),
    Term("MDC_EVT_DEVICE_TIME_CHANGED", None, "V1"),
    Term("MDC_EVT_ALARM", 196616, "V1"),
)

# The numbers below are V1* unless they are V1; what stands as a name beside a V1* number is M: no source at
# hand prints these names, so that a device that writes another name is matched on its number.
ALARMS: Final = (
    Term("MDC_EVT_FLUID_LINE_OCCL", 196940, "V1"),
    Term("MDC_EVT_OCCL", 196688, "V1*"),
    Term("MDC_EVT_FLUID_LINE_PROB", 196860, "V1*"),
    Term("MDC_EVT_DOOR_OR_HANDLE_POSN_ERR", 196842, "V1*"),
    Term("MDC_EVT_BATT_LO", 196802, "V1*"),
    Term("MDC_EVT_BATT_FAIL", 196800, "V1*"),
    Term("MDC_EVT_BATT_MALF", 196804, "V1*"),
    Term("MDC_EVT_EMPTY", 196634, "V1*"),
    Term("MDC_EVT_FLUID_LINE_FREE_FLOW", 197206, "V1*"),
    Term("MDC_EVT_SYRINGE_REPLACE_WARN", 203320, "V1*"),
    Term("MDC_EVT_DOOR_OPEN", 202828, "V1*"),
    Term("MDC_EVT_STANDBY", 202774, "V1*"),
    Term("MDC_EVT_ALARM_SILENCE", 202822, "V1*"),
    Term("MDC_EVT_DISCONN", 196630, "V1*"),
    Term("MDC_EVT_INOP", 196660, "V1*"),
    Term("MDC_EVT_FLUID_LINE_AIR", None, "M"),
)

OBSERVATIONS: Final = (
    Observation("MDC_DEV_PUMP_DELIVERY_INFO", 70067, "V1", "", "head"),
    Observation("MDC_ATTR_EVT_COND", 68487, "V1", "event", "coded"),
    Observation("MDC_ATTR_EVT_SOURCE", 68488, "V1", "source_path", "text"),
    Observation("MDC_PUMP_DRUG_LIBRARY_VERSION", 184517, "V1", "library_version", "text"),
    Observation("MDC_PUMP_DRUG_LIBRARY_CARE_AREA", 184516, "V1", "care_area", "text"),
    Observation("MDC_DRUG_NAME_LABEL", 184514, "V1", "entry", "text"),
    Observation("MDC_CONC_DRUG", 157760, "V1", "concentration", "number"),
    Observation("MDC_PUMP_INFUSING_STATUS", 184519, "V1", "infusing_status", "coded", "info"),
    Observation("MDC_FLOW_FLUID_PUMP_CURRENT", 158014, "V1", "flow_current", "number", "info"),
    Observation("MDC_DEV_PUMP_ACTIVE_SOURCES", 158016, "V1", "active_source", "coded", "info"),
    Observation("MDC_FLOW_FLUID_PUMP", 157784, "V1", "flow", "number"),
    Observation("MDC_RATE_DOSE", 157924, "V1", "dose", "number"),
    Observation("MDC_FLOW_DRUG_DELIV", 157804, "V1*", "drug_flow", "number"),
    Observation("MDC_VOL_FLUID_TBI", 157884, "V1", "volume_to_infuse", "number"),
    Observation("MDC_VOL_FLUID_TBI_REMAIN", 157872, "V1", "volume_remaining", "number"),
    Observation("MDC_VOL_FLUID_DELIV_TOTAL", 157993, "V1", "volume_total", "number"),
    Observation("MDC_VOL_FLUID_DELIV_SEGMENT", None, "V1", "volume_segment", "number"),
    Observation("MDC_VOL_FLUID_DELIV", 157864, "V1*", "volume_delivered", "number"),
    Observation("MDC_TIME_PD_REMAIN", 157916, "V1", "time_remaining", "number"),
    Observation("MDC_DEV_PUMP_CURRENT_DELIVERY_STATUS", 158005, "V1", "delivery_status", "coded"),
    Observation("MDC_DEV_PUMP_PROGRAM_DELIVERY_MODE", 158008, "V1", "delivery_mode", "coded"),
    Observation("MDC_DEV_PUMP_NOT_DELIVERING_REASON", 158006, "M", "not_delivering_reason", "coded"),
    Observation("MDC_DEV_PUMP_SOURCE_CHANNEL_LABEL", 158012, "V1", "source_label", "text"),
    Observation("MDC_ATTR_PT_WEIGHT", 68063, "V1", "weight", "number"),
    Observation("MDC_ATTR_ALERT_SOURCE", 68480, "V1", "alert_source", "coded"),
    Observation("MDC_ATTR_EVENT_PHASE", 68481, "V1", "alert_phase", "coded"),
    Observation("MDC_ATTR_ALARM_STATE", 68482, "V1", "alert_state", "coded"),
    Observation("MDC_ATTR_ALARM_INACTIVATION_STATE", 68483, "V1", "alert_inactivation", "coded"),
    Observation("MDC_ATTR_ALARM_PRIORITY", 68484, "V1", "alert_priority", "coded"),
    Observation("MDC_ATTR_ALERT_TYPE", 68485, "V1", "alert_type", "coded"),
)

#: Levels of a containment: number as text -> reference name (V1).
LEVEL_NAMES: Final = {
    "70049": "MDC_DEV_PUMP_INFUS_LVP_MDS", "70050": "MDC_DEV_PUMP_INFUS_LVP_VMD",
    "70067": "MDC_DEV_PUMP_DELIVERY_INFO", "70071": "MDC_DEV_PUMP_INFUSATE_SOURCE_PRIMARY",
}  # fmt: skip

#: Numbers of units (partition 4) -> UCUM code. V1: mL/h, ug/kg/min, mL, min, mg/mL, kg; the rest V1*.
UNIT_NUMBERS: Final = {
    265266: "mL/h", 265619: "ug/kg/min", 263762: "mL", 264352: "min", 264306: "mg/mL", 263875: "kg",
    265522: "mg/h", 265490: "mg/min", 265523: "ug/h", 265491: "ug/min", 267840: "[IU]/h", 263890: "mg",
}  # fmt: skip
_UNIT_BY_NUMBER: Final = {str(number): unit for number, unit in UNIT_NUMBERS.items()}
# The pieces of a unit's reference name. V1 as far as the names that the framework prints show the pattern
# (MDC_DIM_MILLI_L_PER_HR, MDC_DIM_MICRO_G_PER_KG_PER_MIN, MDC_DIM_KILO_G, MDC_DIM_MILLI_G_PER_ML); else M.
_PREFIXES: Final = {"KILO": "k", "MILLI": "m", "MICRO": "u", "NANO": "n", "PICO": "p"}
_BASES: Final = {
    "G": "g", "L": "L", "MOLE": "mol", "EQUIV": "eq", "INTL_UNIT": "[IU]", "HR": "h", "MIN": "min",
    "SEC": "s", "DAY": "d", "KG": "kg", "ML": "mL", "M_SQ": "m2",
}  # fmt: skip


def _by_number(*terms: Term) -> dict[str, str]:
    return {str(term.number): term.name for term in terms if term.number is not None}


#: Number as text -> reference name, of events and of alarms.
TERM_NAMES: Final = _by_number(*EVENTS, *ALARMS)
_KNOWN: Final = frozenset(term.name for term in (*EVENTS, *ALARMS))
OBSERVATION_BY_NAME: Final = {o.name: o for o in OBSERVATIONS}
OBSERVATION_BY_NUMBER: Final = {str(o.number): o for o in OBSERVATIONS if o.number is not None}


def term_name(number: str, name: str) -> str:
    """Return the name that a coded event or alarm is known by: its reference name first, its number second.

    Parameters
    ----------
    number, name
        First and second component as the message has them; each may be empty.

    Returns
    -------
    str
        A name of `EVENTS` or `ALARMS` where one fits, else what the message says, the name before the number.
    """
    if name in _KNOWN:
        return name
    return TERM_NAMES.get(number) or name or number


def observation_of(number: str, name: str) -> Observation | None:
    """Return the observation that OBX-3 names: by its reference name first, by its number second."""
    return OBSERVATION_BY_NAME.get(name) or OBSERVATION_BY_NUMBER.get(number)


def unit_of_name(name: str) -> str | None:
    """Return the UCUM code that a unit's reference name spells, or None where a piece is not known."""
    if not name.startswith("MDC_DIM_"):
        return None
    pieces = []
    for part in name.removeprefix("MDC_DIM_").split("_PER_"):
        match = re.fullmatch(rf"(?:({'|'.join(_PREFIXES)})_)?(?:X_)?({'|'.join(_BASES)})", part)
        if match is None:
            return None
        pieces.append(_PREFIXES.get(match[1] or "", "") + _BASES[match[2]])
    return "/".join(pieces)


def unit_of(number: str, name: str, alternate: str, alternate_system: str, system: str) -> str:
    """Return the unit that OBX-6 writes, UCUM where it can be known.

    Parameters
    ----------
    number, name, system
        Components 1 to 3: identifier, text, coding system (``MDC`` or ``UCUM``).
    alternate, alternate_system
        Components 4 and 6: the same unit in the other coding system.

    Returns
    -------
    str
        One unit. Where the two coding systems name different units, both stand in the text, which is then no
        unit: a factor of a thousand between them must not be settled by guessing.
    """
    if system == "UCUM":
        return number or name
    ucum = alternate if alternate_system == "UCUM" else ""
    told = unit_of_name(name) or _UNIT_BY_NUMBER.get(number)
    if ucum and told and ucum != told:
        return f"{ucum} or {told}"
    return ucum or told or alternate or name or number
