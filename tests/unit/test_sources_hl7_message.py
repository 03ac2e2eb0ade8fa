"""One message, one row: names before numbers, values of the event's own source, nothing about people."""

from __future__ import annotations

from dataclasses import astuple

import hl7
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.functional.hl7.messages import KG, ML, ML_H, alert, device_event, event, header, text

from dripledger.schema.units import UNITS, normalise_unit
from dripledger.sources.hl7.codes import ALARMS, EVENTS, OBSERVATIONS, UNIT_NUMBERS, unit_of, unit_of_name
from dripledger.sources.hl7.fields import FIELDS, PERSONAL
from dripledger.sources.hl7.message import BAD_SEPARATORS, NO_EVENT, SEVERAL_EVENTS, read_block
from dripledger.sources.hl7.separators import Separators, iso_time, offset_of, separators_of

AT = "20260114080000-0600"


def rows(*messages: list[str]) -> list[dict[str, str] | str]:
    found = []
    for told in read_block(text(*messages), {}):
        if not isinstance(told, str):
            told = {name: value for name, value in zip(FIELDS, told, strict=True) if value is not None}
        found.append(told)
    return found


def row(message: list[str]) -> dict[str, str]:
    (told,) = rows(message)
    assert not isinstance(told, str), told
    return told


def changed(message: list[str], old: str, new: str) -> list[str]:
    assert sum(old in segment for segment in message) >= 1, old
    return [segment.replace(old, new) for segment in message]


def test_a_start_gives_every_field() -> None:
    told = row(event("start", AT, control="77"))
    assert told == {
        "message": "ORU", "trigger": "R42", "control_id": "77", "received_time": "2026-01-14T08:00:00-06:00",
        "event_time": "2026-01-14T08:00:00-06:00", "patient": "FH700155", "location": "5 North ICU",
        "order_placer": "FH-ORDER-8821", "drug_code": "D-17", "drug_text": "Dopamine", "pump": "FH-PUMP-31",
        "pump_system": "0123450000000000", "pump_level": "MDC_DEV_PUMP_INFUS_LVP_MDS", "channel": "1",
        "event": "MDC_EVT_PUMP_DELIV_START", "source_path": "1.1.2.0",
        "source": "MDC_DEV_PUMP_INFUSATE_SOURCE_PRIMARY", "source_label": "Primary",
        "library_version": "FH-2026-2", "care_area": "Adult ICU", "entry": "Dopamine",
        "concentration": "1.6", "concentration_unit": "mg/mL", "infusing_status": "pump-status-infusing",
        "flow_current": "12.0", "flow_current_unit": "mL/h", "active_source": "pump-source-info-primary",
        "flow": "12.0", "flow_unit": "mL/h", "dose": "5.00", "dose_unit": "ug/kg/min",
        "volume_to_infuse": "250.0", "volume_to_infuse_unit": "mL", "volume_total": "0.0",
        "volume_total_unit": "mL", "time_remaining": "1250", "time_remaining_unit": "min",
        "delivery_status": "pump-delivery-status-delivering",
        "delivery_mode": "pump-program-delivery-mode-continuous", "weight": "64.0", "weight_unit": "kg",
        "rate": "12.0", "rate_unit": "mL/h", "dose_rate": "5.00", "dose_rate_unit": "ug/kg/min",
        "volume_reported": "0.0", "volume_reported_unit": "mL", "volume_scope": "total",
    }  # fmt: skip


def test_nothing_about_people_but_the_patient_s_number_is_read() -> None:
    for message in (event("start", AT), alert("start", AT), device_event("patient", AT)):
        shown = repr(row([*message, "NTE|1||Quillfeather wants tea", "NK1|1|Marrowby^Ann"]))
        for word in ("Quillfeather", "Ottoline", "Marrowby", "1952", "Lanternfish", "NURSE", "5117"):
            assert word not in shown
    assert sorted(PERSONAL) == ["order_placer", "patient"]


@pytest.mark.parametrize(
    "written",
    [
        "197290^MDC_EVT_PUMP_DELIV_STOP^MDC",
        "0^MDC_EVT_PUMP_DELIV_STOP^MDC",
        "^MDC_EVT_PUMP_DELIV_STOP",
        "197290",
        "197288^MDC_EVT_PUMP_DELIV_STOP^MDC",
        "197290^SOME_OTHER_NAME^MDC",
    ],
)
def test_the_name_counts_first_and_the_number_second(written: str) -> None:
    assert row(event(written, AT, status="not-delivering"))["event"] == "MDC_EVT_PUMP_DELIV_STOP"


def test_an_unknown_event_keeps_its_name() -> None:
    assert row(event("999999^MDCX_EVT_PUMP_HUMMED^MDC", AT))["event"] == "MDCX_EVT_PUMP_HUMMED"
    assert row(event("999999", AT))["event"] == "999999"


def test_observations_are_matched_on_the_name_first_too() -> None:
    plain = event("start", AT, weight=None, rate="12.0", current="3.0")
    by_number = changed(plain, "157784^MDC_FLOW_FLUID_PUMP^MDC", "157784^^MDC")
    assert row(by_number)["flow"] == "12.0"
    renamed = changed(plain, "157784^MDC_FLOW_FLUID_PUMP^MDC", "0^MDC_FLOW_FLUID_PUMP^MDC")
    assert row(renamed)["flow"] == "12.0"
    swapped = changed(plain, "157784^MDC_FLOW_FLUID_PUMP^MDC", "157784^MDC_ATTR_PT_WEIGHT^MDC")
    assert row(swapped).get("flow") is None
    assert row(swapped)["weight"] == "12.0"


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_segment_ends_and_framing_change_nothing(end: str) -> None:
    message = event("start", AT)
    wanted = list(read_block(text(message), {}))
    assert list(read_block("\x0b" + text(message, end=end) + "\x1c\r", {})) == wanted


def test_values_belong_to_the_event_s_own_source() -> None:
    secondary = [
        "OBX|40||70072^MDC_DEV_PUMP_INFUSATE_SOURCE_SECONDARY^MDC|1.1.3.0|||||||X",
        f"OBX|41|NM|157784^MDC_FLOW_FLUID_PUMP^MDC|1.1.3.4|90.0|{ML_H}|||||R",
        f"OBX|42|NM|157993^MDC_VOL_FLUID_DELIV_TOTAL^MDC|1.1.3.7|33.0|{ML}|||||R",
        "OBX|43|ST|184514^MDC_DRUG_NAME_LABEL^MDC|1.1.3.10|Cefazolin||||||R",
    ]
    # whatever the order of the segments
    message = event("start", AT, dose=None)
    head, body = message[:4], message[4:]
    for whole in ([*head, *body, *secondary], [*head, *secondary, *body]):
        told = row(whole)
        assert (told["flow"], told["entry"], told["volume_total"]) == ("12.0", "Dopamine", "0.0")
        other = row(changed(whole, "1.0.0.3|1.1.2.0", "1.0.0.3|1.1.3.0"))
        assert (other["flow"], other["entry"], other["volume_total"]) == ("90.0", "Cefazolin", "33.0")
        assert other["source"] == "MDC_DEV_PUMP_INFUSATE_SOURCE_SECONDARY"
        # what stands above all sources, or in the delivery information, holds for both
        assert (other["library_version"], other["flow_current"]) == ("FH-2026-2", "12.0")
        assert "weight" not in other


def test_without_a_declared_source_the_active_one_counts() -> None:
    message = [s for s in event("start", AT) if "MDC_ATTR_EVT_SOURCE" not in s]
    assert row(message)["flow"] == "12.0"
    assert row(message)["channel"] == "1"
    second = [
        "OBX|40||70072^MDC_DEV_PUMP_INFUSATE_SOURCE_SECONDARY^MDC|1.1.3.0|||||||X",
        f"OBX|41|NM|157784^MDC_FLOW_FLUID_PUMP^MDC|1.1.3.4|90.0|{ML_H}|||||R",
    ]
    assert row([*message, *second])["flow"] == "12.0"
    assert row(changed([*message, *second], "source-info-primary", "source-info-secondary"))["flow"] == "90.0"
    # nothing tells which: no value is taken from either, what the whole delivery says stays
    unclear = row(changed([*message, *second], "source-info-primary", "source-info-loading"))
    assert "flow" not in unclear
    assert unclear["rate"] == unclear["flow_current"] == "12.0"


def test_two_channels_of_one_pump_are_told_apart() -> None:
    first = event("start", AT)
    second = [s.replace("|1.1.", "|1.2.").replace("|1.0.0.3|1.1.", "|1.0.0.3|1.2.") for s in first]
    second = changed(second, "|1.2.0.0|||||||X", "|1.2.0.0|||||||X|||||||MODULE-B^^0123450000000000^EUI-64")
    told = row(second)
    assert (told["pump"], told["channel"], told["channel_device"]) == ("FH-PUMP-31", "2", "MODULE-B")


def test_of_two_values_the_first_counts_unless_corrected() -> None:
    again = f"OBX|50|NM|157784^MDC_FLOW_FLUID_PUMP^MDC|1.1.2.20|14.0|{ML_H}|||||R"
    assert row([*event("start", AT), again])["flow"] == "12.0"
    assert row([*event("start", AT), again[:-1] + "C"])["flow"] == "14.0"


def test_a_deleted_value_is_none_and_a_written_null_neither() -> None:
    message = event("start", AT)
    assert "weight" not in row(changed(message, f"64.0|{KG}|||||R", f"64.0|{KG}|||||D"))
    told = row(changed(message, "|64.0|", '|""|'))
    assert "weight" not in told
    assert "weight_unit" not in told


def test_structured_numbers_lose_an_equal_sign_and_keep_any_other() -> None:
    base = event("start", AT, weight="64.0")
    assert (
        row(
            changed(
                base,
                f"NM|68063^MDC_ATTR_PT_WEIGHT^MDC|1.1.2.13|64.0|{KG}",
                f"SN|68063^MDC_ATTR_PT_WEIGHT^MDC|1.1.2.13|=^64.0|{KG}",
            )
        )["weight"]
        == "64.0"
    )
    assert (
        row(
            changed(
                base,
                f"NM|68063^MDC_ATTR_PT_WEIGHT^MDC|1.1.2.13|64.0|{KG}",
                f"SN|68063^MDC_ATTR_PT_WEIGHT^MDC|1.1.2.13|<^64.0|{KG}",
            )
        )["weight"]
        == "<^64.0"
    )


def test_keep_open_runs_at_its_own_rate() -> None:
    told = row(event("start", AT, status="kvo", rate="18.0", current="1.0"))
    assert (told["flow"], told["rate"]) == ("18.0", "1.0")


def test_an_alert_and_the_oddities_of_its_form() -> None:
    told = row(alert("start", AT))
    assert (told["event"], told["alert_phase"], told["alert_id"]) == ("MDC_EVT_ALARM", "start", "FH31_A7")
    assert (told["alert_code"], told["alert_text"]) == ("MDC_EVT_FLUID_LINE_OCCL", "Line blocked")
    # deprecated: priority and type in OBX-8; the inactivation segment is one field short
    assert (told["alert_priority"], told["alert_type"], told["alert_inactivation"]) == ("PH", "ST", "enabled")
    assert "channel" not in told
    assert "order_placer" not in told
    facets = row(alert("start", AT, flags="", facets={6: "PM", 7: "SA"}, module=2))
    assert (facets["alert_priority"], facets["alert_type"], facets["channel"]) == ("PM", "SA", "2")
    assert row(alert("start", AT, flags="ST")).get("alert_priority") is None
    numbered = row(alert("start", AT, code="196802^^MDC"))
    assert numbered["alert_code"] == "MDC_EVT_BATT_LO"
    private = row(alert("start", AT, code="0^^^^^^^^Tube kinked"))
    assert (private["alert_code"], private["alert_text"]) == ("0", "Tube kinked")


def test_more_than_one_event_in_a_message_cannot_be_split() -> None:
    more = "OBX|60|CWE|68487^MDC_ATTR_EVT_COND^MDC|1.0.0.9|^MDC_EVT_PUMP_DELIV_STOP||||||R"
    assert rows([*event("start", AT), more]) == [SEVERAL_EVENTS]
    two = alert("start", AT)
    assert rows([*two, two[4], *two[5:]]) == [SEVERAL_EVENTS]


def test_a_message_that_tells_no_event_is_none() -> None:
    for message in (event("start", AT), alert("start", AT)):
        assert rows(message[:4]) == [NO_EVENT]
    assert rows(changed(event("start", AT), "197288^MDC_EVT_PUMP_DELIV_START^MDC", "")) == [NO_EVENT]
    acknowledgement = ["MSH|^~\\&|A||||||ACK^R42|5", "MSA|AA|4"]
    assert row(acknowledgement) == {"message": "ACK", "trigger": "R42", "control_id": "5"}


def test_times() -> None:
    assert iso_time("20260114080000-0600", "") == "2026-01-14T08:00:00-06:00"
    assert iso_time("202601140800", "+01:00") == "2026-01-14T08:00:00+01:00"
    assert iso_time("20260114080000.1234", "") == "2026-01-14T08:00:00.1234"
    assert iso_time("20260114080000.5+0130", "-06:00") == "2026-01-14T08:00:00.5+01:30"
    assert iso_time("20260114", "+01:00") == "20260114"
    assert iso_time("", "+01:00") is None
    assert (offset_of("20260114080000-0600"), offset_of("20260114080000"), offset_of("-06")) == (
        "-06:00",
        "",
        "",
    )


def test_a_time_without_offset_takes_that_of_the_header() -> None:
    message = event("start", "20260114080000", sent="20260114090000-0600")
    assert row(message)["event_time"] == "2026-01-14T08:00:00-06:00"
    message = event("start", "20260114080000+0100", sent="20260114090000-0600")
    assert row(message)["event_time"] == "2026-01-14T08:00:00+01:00"


@pytest.mark.parametrize("place", ["order", "event", "header"])
def test_the_precision_beside_a_time_is_not_part_of_it(place: str) -> None:
    """A time of versions up to 2.5 can have a second component, its degree of precision (TS; from memory)."""
    given = {"order": (f"{AT}^S", AT), "event": (f"{AT}^S", AT), "header": ("20260114080000", f"{AT}^S")}
    at, sent = given[place]
    message = event("start", at, sent=sent)
    if place == "event":
        message = [s.replace(f"|||{at}", "|||") if s.startswith("OBR") else s for s in message]
        message = [
            f"{s}|||{at}" if s.startswith("OBX|") and "EVT_COND" in s else s for s in message
        ]  # fmt: skip
    assert row(message)["event_time"] == "2026-01-14T08:00:00-06:00"
    assert row(message)["received_time"] == "2026-01-14T08:00:00-06:00"


def test_the_time_of_the_event_itself_stands_in_for_the_order_s() -> None:
    message = [s.replace(f"|||{AT}", "|||") if s.startswith("OBR") else s for s in alert("start", AT)]
    message = [
        s.replace("|||F|||||||FH", f"|||F|||{AT}||||FH") if s.startswith("OBX|1|") else s for s in message
    ]
    assert row(message)["event_time"] == "2026-01-14T08:00:00-06:00"


@pytest.mark.parametrize(
    "head", ["MSH", "MSH|", "MSH|^^~\\&|A", "MSH||A", "MSH|AB~\\&|A", "MSH|^~\\&#$!|A", "MSH\u00e9^~\\&|A"]
)
def test_separators_that_cannot_be_told_apart(head: str) -> None:
    assert separators_of(head) is None
    assert rows([head, "OBX|1"]) == [BAD_SEPARATORS]


def test_fewer_separators_are_enough() -> None:
    assert separators_of("MSH|^|A") == Separators("|", "^")
    assert separators_of("MSH|^~\\&#|A") == Separators("|", "^", "~", "\\", "&")


def test_units_by_number_name_and_ucum() -> None:
    assert all(normalise_unit(unit) == unit for unit in UNIT_NUMBERS.values())
    assert all(
        normalise_unit(unit_of_name(name) or "") in UNITS
        for name in (
            "MDC_DIM_MILLI_L_PER_HR",
            "MDC_DIM_MICRO_G_PER_KG_PER_MIN",
            "MDC_DIM_INTL_UNIT_PER_HR",
            "MDC_DIM_MILLI_MOLE_PER_HR",
        )
    )
    assert unit_of("265266", "MDC_DIM_MILLI_L_PER_HR", "mL/h", "UCUM", "MDC") == "mL/h"
    assert unit_of("265266", "", "", "", "MDC") == "mL/h"
    assert unit_of("0", "MDC_DIM_MILLI_G_PER_HR", "", "", "MDC") == "mg/h"
    assert unit_of("mg/h", "mg/h", "", "", "UCUM") == "mg/h"
    assert unit_of("", "drops a minute", "", "", "") == "drops a minute"
    # a factor of a thousand between the two coding systems is no unit at all
    odd = unit_of("265619", "MDC_DIM_MICRO_G_PER_KG_PER_MIN", "mg/kg/min", "UCUM", "MDC")
    assert normalise_unit(odd) is None


def test_terms_are_declared_once() -> None:
    for terms in (EVENTS, ALARMS, OBSERVATIONS):
        names = [term.name for term in terms]
        numbers = [term.number for term in terms if term.number is not None]
        assert len(set(names)) == len(names)
        assert len(set(numbers)) == len(numbers)
        assert all(astuple(term) for term in terms)
    # partition x 65536 + term: events 3, the rest 2 or 1 (reference: code arithmetic of 11073-10101)
    assert {t.number >> 16 for t in (*EVENTS, *ALARMS) if t.number is not None} == {3}
    assert {n >> 16 for n in UNIT_NUMBERS} == {4}


# Outside check: the `hl7` package (PyPI, BSD licence) reads the same messages and says the same.
MARKS = st.permutations("|^~\\&!$*%").map(lambda marks: "".join(marks[:5]))
TEXT = (
    st.text(st.sampled_from("abz |^~\\&!$*%\u00e9\u00b5."), min_size=1, max_size=12)
    .map(str.strip)
    .filter(bool)
)


def escaped(value: str, marks: str) -> str:
    field, component, repetition, escape, sub = marks
    names = {field: "F", component: "S", repetition: "R", escape: "E", sub: "T"}
    return "".join(f"{escape}{names[c]}{escape}" if c in names else c for c in value)


@settings(deadline=None)
@given(
    MARKS, st.tuples(TEXT, TEXT, TEXT, TEXT), st.floats(0.1, 999).map(lambda v: f"{v:.2f}"), st.integers(0, 3)
)
def test_the_oracle_reads_the_same(
    marks: str, words: tuple[str, str, str, str], number: str, cut: int
) -> None:
    care_area, drug, version, patient = words
    written = [w.replace('""', "x") for w in (care_area, drug, version, patient)]
    table = str.maketrans("|^~\\&", "\x01\x02\x03\x04\x05")
    message = [s.translate(table) for s in event(
        "start", AT, rate=number, care_area="\x10", drug="\x11", library="\x12", patient="\x13"
    )]  # fmt: skip
    body = "\r".join(message) + "\r"
    for place, mark in enumerate(marks, 1):
        body = body.replace(chr(place), mark)
    for place, word in enumerate(written):
        body = body.replace(chr(0x10 + place), escaped(word, marks))
    (told,) = read_block(body, {})
    assert not isinstance(told, str), told
    ours = dict(zip(FIELDS, told, strict=True))

    theirs = hl7.parse(body)
    seen = {}
    for segment in theirs.segments("OBX"):
        value = segment[5]
        seen[str(segment[3][0][1])] = value
    assert ours["flow"] == str(seen["MDC_FLOW_FLUID_PUMP"]) == number
    assert ours["event"] == str(seen["MDC_ATTR_EVT_COND"][0][1])
    assert ours["active_source"] == str(seen["MDC_DEV_PUMP_ACTIVE_SOURCES"][0][1])
    for name, raw, value in (
        ("care_area", "MDC_PUMP_DRUG_LIBRARY_CARE_AREA", written[0]),
        ("entry", "MDC_DRUG_NAME_LABEL", written[1]),
        ("library_version", "MDC_PUMP_DRUG_LIBRARY_VERSION", written[2]),
    ):
        assert ours[name] == theirs.unescape(str(seen[raw])).strip() == value
    assert ours["patient"] == theirs.unescape(str(theirs.segment("PID")[3][0][0])).strip() == written[3]
    assert ours["pump"] == str(theirs.segments("OBX")[0][18][0][0])


@given(st.text(st.sampled_from("ab\\FSTREXH0D1.br^"), max_size=20))
def test_unescaping_never_fails_and_leaves_plain_text(value: str) -> None:
    told = separators_of(header("R42", AT, "1"))
    assert told is not None
    shown = told.unescape(value)
    if "\\" not in value:
        assert shown == value
    assert told.unescape(escaped(value, "|^~\\&")) == value


def test_escapes() -> None:
    told = Separators("|", "^", "~", "\\", "&")
    assert told.unescape(r"a\F\b\S\c\T\d\R\e\E\f") == "a|b^c&d~e\\f"
    assert told.unescape(r"\X4D\\X6DC3A9\ \XE9\ ") == "Mm\u00e9 \u00e9 "
    assert told.unescape(r"\H\loud\N\ one\.br\two") == "loud one\ntwo"
    assert told.unescape(r"C:\folder and \Zq\ and \X4\ stay") == r"C:\folder and \Zq\ and \X4\ stay"
