"""Records as written: what may be personal is overwritten byte by byte, whatever the shape."""

from __future__ import annotations

from typing import Any

import pytest

from dripledger.events.evidence import same_but_for
from dripledger.sources.mapping import Mapping
from dripledger.sources.overwrite import hidden_ranges, merged, overwrite

BASE: dict[str, Any] = {
    "name": "wards", "pattern": ["*"], "records": ["all"], "time": {"zone": "site"},
    "fields": {
        "pump_id": "Device", "device_time": "Time", "kind": "Event", "rate_ml_h": "Rate",
        "patient_key": {"field": "MRN", "personal": "key"},
    },
    "personal": {"mask": ["Name"]},
}  # fmt: skip


def shown(options: dict[str, Any], data: str, header: str = "", codec: str = "utf-8") -> str:
    """Return a record with what may be personal overwritten; check that nothing else changed."""
    mapping = Mapping.model_validate({**BASE, **options})
    text = data.encode()
    raw, spans = overwrite(text, hidden_ranges(mapping, header.encode(), text), codec)
    assert same_but_for(data.encode(codec), raw, spans)
    assert len(raw) == len(data.encode(codec))
    return raw.decode(codec)


HEADER = "Device,Time,Event,Rate,MRN,Name,Ward clerk"


def test_delimited() -> None:
    assert (
        shown({"shape": "delimited"}, "P-1,08:00,RUN,10,4711,Ana,Rui", HEADER)
        == "P-1,08:00,RUN,10,####,###,###"
    )


def test_delimited_with_quotes_breaks_and_letters_of_two_bytes() -> None:
    data = 'P-1,08:00,"RUN, ""on""",10, "47,11" ,"Jo\nã""o",'
    assert shown({"shape": "delimited"}, data, HEADER) == (
        'P-1,08:00,"RUN, ""on""",10, "#####" ,"########",'
    )  # a, line break and ã take 1, 1 and 2 bytes: J o LF ã ã " " o


def test_delimited_with_too_many_fields_is_overwritten_whole() -> None:
    assert set(shown({"shape": "delimited"}, "P-1,08:00,RUN,10,4711,Ana,Rui,more", HEADER)) == {"#"}


def test_in_another_encoding_as_many_bytes() -> None:
    options = {"shape": "delimited", "delimited": {"encoding": "utf-16"}}
    assert shown(options, "P-ü,08:00,RUN,10,4711,Zoë,", HEADER, "utf-16-le") == "P-ü,08:00,RUN,10,####,###,"


@pytest.mark.parametrize("shape", ["json_lines", "json_array"])
def test_json_with_elements(shape: str) -> None:
    fields = {
        "pump_id": "pump.id", "device_time": "item.at", "kind": "item.what",
        "patient_key": {"field": "who.number", "personal": "key"},
    }  # fmt: skip
    options = {"shape": shape, shape: {"each": "list"}, "fields": fields, "personal": {}}
    data = (
        '{"pump": {"id": "B-1"}, "who": {"number": 4711, "n\\u0061me": "A\\"na"}, '
        '"list": [{"at": "8", "what": "R", "by": "x"}]}'
    )
    assert shown(options, data) == (
        '{"pump": {"id": "B-1"}, "who": {"number": ####, "n\\u0061me": "#####"}, '
        '"list": [{"at": "8", "what": "R", "by": "#"}]}'
    )


def test_json_that_does_not_close_is_overwritten_whole() -> None:
    assert set(shown({"shape": "json_lines"}, '{"Device": "P-1", "Name": "Ana')) == {"#"}


def test_xml() -> None:
    data = (
        "<event MRN='4711' Rate=\"10\"><Device>P-1</Device><Name>Ana <![CDATA[&]]></Name>"
        "<!-- by Rui --></event>"
    )
    assert shown({"shape": "xml", "xml": {"record": "log/event"}}, data) == (
        "<event MRN='####' Rate=\"10\"><Device>P-1</Device><Name>### <![CDATA[#]]></Name>"
        "<!--########--></event>"
    )


def test_fixed_width() -> None:
    columns = [
        {"name": n, "start": s, "width": w}
        for n, s, w in (
            ("Device", 1, 4),
            ("Time", 5, 6),
            ("Event", 11, 4),
            ("Rate", 15, 3),
            ("MRN", 18, 5),
            ("Name", 23, 6),
        )
    ]
    options = {"shape": "fixed_width", "fixed_width": {"columns": columns}}
    assert shown(options, "P-1 08:00 RUN 10 4711 Zoë   ") == "P-1 08:00 RUN 10 #### ####   "


def test_device_messages_show_measurements_and_no_person() -> None:
    options = {"shape": "hl7", "canonical": True, "fields": {}, "personal": {}}
    data = (
        "MSH|^~\\&|GW^0003^E|HOSP|||20260114080000-0600||ORU^R42^ORU_R42|77|P|2.6\r"
        "PID|||4711^^^H^MR||Doe^Ana||19700101|F\r"
        "OBR|1|ORD7|EV1|x^START^MDC|||20260114080000-0600||||Rui^Nurse\r"
        "OBX|1|NM|158^FLOW^MDC|1.2.3.4|12|ml/h|||||R|||||Rui^Nurse||P-1^^^E"
    )
    out = shown(options, data)
    assert [word for word in ("4711", "Ana", "Rui", "ORD7", "1970") if word in out] == []
    assert [word for word in ("|12|ml/h|", "x^START^MDC", "P-1^^^E") if word not in out] == []


def test_ranges_are_put_together() -> None:
    assert merged([(5, 7), (0, 2), (1, 3), (7, 9)]) == [(0, 3), (5, 9)]


@pytest.mark.parametrize("change", [b"P-2", b"P-1 "])
def test_another_record_is_not_the_same(change: bytes) -> None:
    assert same_but_for(b"P-1;Ana", b"P-1;###", [(4, 7)])
    assert not same_but_for(b"P-1;Ana", change + b";###", [(len(change) + 1, len(change) + 4)])
