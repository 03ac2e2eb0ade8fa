"""The raw fields of a device message: what a mapping with ``shape = "hl7"`` can read, and nothing else.

It is a list of what is read, not of what is hidden: whatever stands in a message and not here (names, dates
of birth, addresses, the user in OBX-16, free notes) is never looked at.
"""

from __future__ import annotations

from typing import Final, TypeAlias

from dripledger.sources.hl7.codes import OBSERVATIONS

#: The raw fields of one message, by `PLACES`.
Row: TypeAlias = list[str | None]

_HEADER: Final = {
    "message": "MSH-9.1: `ORU` an observation, `ACK` an acknowledgement",
    "trigger": "MSH-9.2: `R42` an infusion event, `R40` an alert",
    "control_id": "MSH-10: the message's number. Two events may carry the same one: it is no identity",
    "received_time": "MSH-7: when the sender wrote the message, often long after the event; ISO 8601",
    "patient": "PID-3.1, first repetition: has to be keyed",
    "location": "PV1-3.1: the unit where the patient was; room and bed are not read",
    "order_placer": "OBR-2.1: the order; has to be keyed",
    "drug_code": "OBR-4.1 of an infusion event: the ordered drug's code",
    "drug_text": "OBR-4.2 of an infusion event: the ordered drug's name",
    "event_time": "OBR-7, else OBX-14 of the event itself: when it happened; ISO 8601, with an offset where "
    "the message has one (MSH-7's offset stands for times that have none)",
    "pump": "OBX-18.1 at the pump's own level (MDS), else the first one in the message",
    "pump_system": "OBX-18.3 beside it: the numbering system that the pump's identifier belongs to",
    "pump_level": "reference name of the pump's own level, such as `MDC_DEV_PUMP_INFUS_LVP_MDS`",
    "channel": "second place of the event's containment (VMD): the pump's channel; empty for the whole pump",
    "channel_device": "OBX-18.1 at the channel's own level (VMD)",
}
_DERIVED: Final = {
    "rate": "`flow_current` on a keep-open start or where there is no `flow`, else `flow`",
    "rate_unit": "its unit",
    "dose_rate": "`dose`, else `drug_flow`",
    "dose_rate_unit": "its unit",
    "volume_reported": "`volume_total`, else `volume_segment`, else `volume_delivered`",
    "volume_reported_unit": "its unit",
    "volume_scope": "what that counts: `total`, `segment` or `delivered`",
    "source": "reference name of the fluid source that the event concerns",
}
_ALERTS: Final = {
    "alert_code": "the alarm in OBX-5 of the first facet: its reference name, else its number",
    "alert_text": "the alarm as the device shows it: OBX-5.9, else OBX-5.2",
    "alert_id": "OBR-3.1 of an alert: ties its start, updates and end",
    "alert_parent": "OBR-29: the alert that this one came from",
}


def _vocabulary() -> dict[str, str]:
    found = dict(_HEADER)
    for term in OBSERVATIONS:
        if term.form == "head":
            continue
        number = "" if term.number is None else f" ({term.number})"
        found[term.field] = f"`{term.name}`{number}"
        if term.form == "number":
            found[f"{term.field}_unit"] = (
                "its unit, OBX-6: UCUM where the message or the unit's term tells it"
            )
    found["event"] = (
        "reference name of the event (`MDC_EVT_PUMP_DELIV_START`, ...; `MDC_EVT_ALARM` for every alert)"
    )
    found["source_path"] = "containment of what the event concerns, `MDS.VMD.CHAN.0`"
    found["alert_priority"] += ", else OBX-8 of the first facet: `PH`, `PM`, `PL`, `PN`"
    found["alert_type"] += ", else OBX-8 of the first facet: `SP`, `ST`, `SA`"
    return {**found, **_DERIVED, **_ALERTS}


#: Raw field -> what it is made from.
FIELDS: Final[dict[str, str]] = _vocabulary()
#: Raw field -> place in a row.
PLACES: Final[dict[str, int]] = {name: place for place, name in enumerate(FIELDS)}
#: Fields about people: a mapping reads them as keyed pseudonyms or not at all.
PERSONAL: Final = frozenset({"patient", "order_placer"})

_STATUS: Final = PLACES["delivery_status"]
_SCOPE: Final = PLACES["volume_scope"]
_VOLUMES: Final = (
    ("volume_total", "total"),
    ("volume_segment", "segment"),
    ("volume_delivered", "delivered"),
)


def _pair(target: str, source: str) -> tuple[int, int]:
    return PLACES[target], PLACES[source]


_FLOWS: Final = (_pair("rate", "flow"), _pair("rate", "flow_current"))
_KEEP_OPEN_FLOWS: Final = _FLOWS[::-1]
_DOSES: Final = (_pair("dose_rate", "dose"), _pair("dose_rate", "drug_flow"))
_REPORTED: Final = tuple((*_pair("volume_reported", name), scope) for name, scope in _VOLUMES)


def derive(row: Row) -> None:
    """Fill the fields of a row that are made from others; a value and its unit stand side by side."""
    for target, source in _KEEP_OPEN_FLOWS if row[_STATUS] == "pump-delivery-status-kvo" else _FLOWS:
        if row[source] is not None:
            row[target : target + 2] = row[source : source + 2]
            break
    for target, source in _DOSES:
        if row[source] is not None:
            row[target : target + 2] = row[source : source + 2]
            break
    for target, source, scope in _REPORTED:
        if row[source] is not None:
            row[target : target + 2] = row[source : source + 2]
            row[_SCOPE] = scope
            break
