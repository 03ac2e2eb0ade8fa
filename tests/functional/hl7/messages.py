"""Invented device messages, laid out after the examples that the open framework prints."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

EVENT_NAMES: Final = {
    "start": "197288^MDC_EVT_PUMP_DELIV_START^MDC",
    "stop": "^MDC_EVT_PUMP_DELIV_STOP^MDC",
    "complete": "0^MDC_EVT_PUMP_DELIV_COMP^MDC",
    "patient": "^MDC_EVT_PATIENT_CHANGE^MDC",
    "counters": "^MDC_EVT_PUMP_VOL_COUNTERS_CLEARED^MDC",
    "clock": "^MDC_EVT_DEVICE_TIME_CHANGED^MDC",
    "contact": "^MDC_EVT_COMM_STATUS_CHANGE^MDC",
    "parameter": "^MDC_EVT_PATIENT_PARAMETER_CHANGE^MDC",
}
ML_H: Final = "265266^MDC_DIM_MILLI_L_PER_HR^MDC^mL/h^mL/h^UCUM"
ML: Final = "263762^MDC_DIM_MILLI_L^MDC^mL^mL^UCUM"
MINUTE: Final = "264352^MDC_DIM_MIN^MDC^min^min^UCUM"
KG: Final = "263875^MDC_DIM_KILO_G^MDC^kg^kg^UCUM"
MG_ML: Final = "264306^MDC_DIM_MILLI_G_PER_ML^MDC^mg/mL^mg/mL^UCUM"
UG_KG_MIN: Final = "265619^MDC_DIM_MICRO_G_PER_KG_PER_MIN^MDC^ug/kg/min^ug/kg/min^UCUM"


def header(trigger: str, sent: str, control: str) -> str:
    profile = "IHE_PCD_010^IHE PCD^1.3.6.1.4.1.19376.1.6.4.10^ISO"
    if trigger == "R40":
        profile = "IHE_PCD_ACM_001^IHE PCD^1.3.6.1.4.1.19376.1.6.4.4.1^ISO"
    return (
        f"MSH|^~\\&|BEDSIDE_GATEWAY^0123450000000000^EUI-64|GATEWAY|LEDGER|LEDGER|{sent}||"
        f"ORU^{trigger}^ORU_{'R01' if trigger == 'R42' else 'R40'}|{control}|P|2.6|||AL|NE||UNICODE UTF-8|"
        f"en^English^ISO639||{profile}"
    )


def person(patient: str | None = "FH700155") -> list[str]:
    """Return PID and PV1 with a name, a birth date and a bed that must never be seen again."""
    if patient is None:
        return []
    return [
        f"PID|||{patient}^^^FENNMARK^PI||Quillfeather^Ottoline^^^^^L|Marrowby^^^^^^L|19520714000000-0600|F|||"
        "9 Lanternfish Row^^Fennmark",
        "PV1||I|5 North ICU^5117^2",
    ]


def event(
    what: str,
    at: str,
    pump: str = "FH-PUMP-31",
    *,
    sent: str | None = None,
    control: str = "1",
    patient: str | None = "FH700155",
    source: str = "1.1.2.0",
    active: str = "primary",
    status: str = "delivering",
    reason: str | None = None,
    rate: str = "12.0",
    current: str | None = None,
    dose: str | None = "5.00",
    volume: str | None = "0.0",
    to_infuse: str | None = "250.0",
    minutes: str | None = "1250",
    drug: str | None = "Dopamine",
    concentration: str | None = "1.6",
    care_area: str | None = "Adult ICU",
    library: str | None = "FH-2026-2",
    weight: str | None = "64.0",
    more: Iterable[str] = (),
) -> list[str]:
    """Return the segments of one infusion event; what is None is left out."""
    flows = status in ("delivering", "kvo")
    where = source.rpartition(".")[0]
    infusing = "pump-status-infusing" if flows else "pump-status-not-infusing"
    current = current if current is not None else (rate if flows else "0")
    label = active.capitalize()
    rows: list[tuple[str, str, str, str | None, str]] = [
        ("ST", "184517^MDC_PUMP_DRUG_LIBRARY_VERSION^MDC", "1.0.0.1", library, ""),
        ("CWE", "68487^MDC_ATTR_EVT_COND^MDC", "1.0.0.2", EVENT_NAMES.get(what, what), ""),
        ("ST", "68488^MDC_ATTR_EVT_SOURCE^MDC", "1.0.0.3", source, ""),
        ("", "70050^MDC_DEV_PUMP_INFUS_LVP_VMD^MDC", "1.1.0.0", "", ""),
        ("", "70067^MDC_DEV_PUMP_DELIVERY_INFO^MDC", "1.1.1.0", "", ""),
        ("CWE", "184519^MDC_PUMP_INFUSING_STATUS^MDC", "1.1.1.1", f"^{infusing}", ""),
        ("NM", "158014^MDC_FLOW_FLUID_PUMP_CURRENT^MDC", "1.1.1.2", current, ML_H),
        ("CWE", "158016^MDC_DEV_PUMP_ACTIVE_SOURCES^MDC", "1.1.1.3", f"^pump-source-info-{active}", ""),
        ("", "70071^MDC_DEV_PUMP_INFUSATE_SOURCE_PRIMARY^MDC", f"{where}.0", "", ""),
        ("CWE", "158005^MDC_DEV_PUMP_CURRENT_DELIVERY_STATUS^MDC", f"{where}.1",
         f"^pump-delivery-status-{status}", ""),
        ("CWE", "158008^MDC_DEV_PUMP_PROGRAM_DELIVERY_MODE^MDC", f"{where}.2",
         "^pump-program-delivery-mode-continuous", ""),
        ("CWE", "^MDC_DEV_PUMP_NOT_DELIVERING_REASON^MDC", f"{where}.3",
         None if reason is None else f"^pump-stopped-{reason}", ""),
        ("ST", "158012^MDC_DEV_PUMP_SOURCE_CHANNEL_LABEL^MDC", f"{where}.4", label, ""),
        ("NM", "157784^MDC_FLOW_FLUID_PUMP^MDC", f"{where}.5", rate, ML_H),
        ("NM", "157924^MDC_RATE_DOSE^MDC", f"{where}.6", dose, UG_KG_MIN),
        ("NM", "157884^MDC_VOL_FLUID_TBI^MDC", f"{where}.7", to_infuse, ML),
        ("NM", "157993^MDC_VOL_FLUID_DELIV_TOTAL^MDC", f"{where}.8", volume, ML),
        ("NM", "157916^MDC_TIME_PD_REMAIN^MDC", f"{where}.9", minutes, MINUTE),
        ("ST", "184514^MDC_DRUG_NAME_LABEL^MDC", f"{where}.10", drug, ""),
        ("NM", "157760^MDC_CONC_DRUG^MDC", f"{where}.11", concentration, MG_ML),
        ("ST", "184516^MDC_PUMP_DRUG_LIBRARY_CARE_AREA^MDC", f"{where}.12", care_area, ""),
        ("NM", "68063^MDC_ATTR_PT_WEIGHT^MDC", f"{where}.13", weight, KG),
    ]  # fmt: skip
    lines = [header("R42", sent or at, control), *person(patient)]
    lines.append(f"OBR|1|FH-ORDER-8821^CPOE|{pump}-{at[:14]}^GATEWAY|D-17^{drug or 'Fluid'}|||{at}")
    lines.append(
        f"OBX|1||70049^MDC_DEV_PUMP_INFUS_LVP_MDS^MDC|1.0.0.0|||||||X|||||NURSE-4471||"
        f"{pump}^^0123450000000000^EUI-64"
    )
    given = [row for row in rows if row[3] is not None]
    for number, (kind, name, place, value, unit) in enumerate(given, 2):
        lines.append(
            f"OBX|{number}|{kind}|{name}|{place}|{value}|" + (f"{unit}|||||R" if value else "|||||X")
        )
    return [*lines, *more]


def device_event(what: str, at: str, pump: str = "FH-PUMP-31", patient: str | None = "FH700155") -> list[str]:
    """Return the segments of an event of the whole pump."""
    return [
        header("R42", at, "1"),
        *person(patient),
        f"OBR|1|||^|||{at}",
        f"OBX|1||70049^MDC_DEV_PUMP_INFUS_LVP_MDS^MDC|1.0.0.0|||||||X|||||||{pump}^^0123450000000000^EUI-64",
        f"OBX|2|CWE|68487^MDC_ATTR_EVT_COND^MDC|1.0.0.2|{EVENT_NAMES.get(what, what)}||||||R",
        "OBX|3|ST|68488^MDC_ATTR_EVT_SOURCE^MDC|1.0.0.3|1.0.0.0||||||R",
    ]


def alert(
    phase: str,
    at: str,
    pump: str = "FH-PUMP-31",
    *,
    code: str = "196940^MDC_EVT_FLUID_LINE_OCCL^MDC^^^^^^Line blocked",
    state: str = "active",
    inactivation: str = "enabled",
    flags: str = "PH~ST",
    ident: str = "FH31_A7",
    facets: Mapping[int, str] | None = None,
    module: int = 0,
    control: str = "1",
    patient: str | None = "FH700155",
) -> list[str]:
    """Return the segments of one alert; `facets` adds values of further facets, such as ``{6: "PM"}``."""
    where = f"1.{module}.0.0"
    names = {6: "68484^MDC_ATTR_ALARM_PRIORITY^MDC", 7: "68485^MDC_ATTR_ALERT_TYPE^MDC"}
    return [
        header("R40", at, control),
        *person(patient),
        f"OBR|1|{at[:14]}{phase}^GATEWAY|{ident}^GATEWAY|196616^MDC_EVT_ALARM^MDC|||{at}",
        f"OBX|1|CWE|196616^MDC_EVT_ALARM^MDC|{where}.1|{code}|||{flags}|||F|||||||{pump}^^0123450000000000^EUI-64",
        f"OBX|2|CWE|68480^MDC_ATTR_ALERT_SOURCE^MDC|{where}.2|70049^MDC_DEV_PUMP_INFUS_LVP_MDS^MDC||||||F|||{at}",
        f"OBX|3|ST|68481^MDC_ATTR_EVENT_PHASE^MDC|{where}.3|{phase}||||||F",
        f"OBX|4|ST|68482^MDC_ATTR_ALARM_STATE^MDC|{where}.4|{state}||||||F",
        f"OBX|5|ST|68483^MDC_ATTR_ALARM_INACTIVATION_STATE|{where}.5|{inactivation}|||||F",
        *(f"OBX|{n}|ST|{names[n]}|{where}.{n}|{value}||||||F" for n, value in (facets or {}).items()),
    ]


def text(*messages: Iterable[str], end: str = "\r") -> str:
    """Return messages as one text, every segment ended."""
    return "".join(segment + end for message in messages for segment in message)
