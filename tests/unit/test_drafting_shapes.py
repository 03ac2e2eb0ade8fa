"""One log in every shape, encoding and compression: a draft of each reads the same events."""

from __future__ import annotations

import gzip
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from tests.functional.hl7.messages import device_event
from tests.functional.hl7.messages import text as messages
from tests.functional.written_logs import BY_NAME, FORMS, ROWS, Form, packed

from dripledger.drafting.draft import draft
from dripledger.drafting.trial import Trial, try_mapping
from dripledger.errors import InputError, UsageError
from dripledger.site import Site, SiteSettings

SITE = Site(Path("/nowhere"), SiteSettings(format=1, facility="trial", time_zone="Europe/Lisbon"))


def _tried(tmp_path: Path, data: bytes, name: str = "log.txt") -> tuple[dict[str, Any], Trial]:
    path = tmp_path / name
    path.write_bytes(data)
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(draft(path), encoding="utf-8")
    return tomllib.loads(mapping.read_text(encoding="utf-8")), try_mapping(SITE, mapping, path)


def _told(trial: Trial) -> dict[str, Any]:
    return {k: v for k, v in trial.as_json().items() if k not in ("assumed", "notes", "worst_records")}


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    form = BY_NAME["comma"]
    return _told(_tried(tmp_path_factory.mktemp("comma"), form.write(ROWS))[1])


def test_the_log_is_what_it_should_be(expected: dict[str, Any]) -> None:
    assert expected["rows_read"] == 10
    assert expected["events_kept"] == 7
    assert expected["rows_ignored"] == 1
    assert expected["duplicates"] == 1
    assert expected["waiting"] == [
        {
            "reason": "time_format",
            "records": 1,
            "means": "the time does not have the format that the mapping declares",
        }
    ]
    first = expected["first_events"][0]
    assert (first["pump_id"], first["kind"], first["care_area"], first["entry"]) == (
        "P-1", "infusion_started", "Säuglinge", "morphine",
    )  # fmt: skip
    assert (first["rate_ml_h"], first["weight_kg"]) == (2.5, 3.25)
    assert {"what": "kind", "label": "new label", "events": 1} in expected["unmapped"]


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_shape(tmp_path: Path, expected: dict[str, Any], form: Form) -> None:
    told, trial = _tried(tmp_path, form.write(ROWS), "log.zip.txt" if form.text else "log.xlsx")
    declared = tomllib.loads(form.mapping())
    assert told["shape"] == form.shape
    for name, value in declared.get(form.shape, {}).items():
        # of a title above columns that have no header nothing tells that it is none of them
        if name not in ("columns", "sheet") and form.name != "titled_columns":
            assert told[form.shape].get(name, "") == value, name
    if form.name == "titled_columns":
        assert trial.counts["rows_read"] > expected["rows_read"]
    elif form.shape == "fixed_width":
        # without a header nothing names the pump, but the records are cut and placed
        assert trial.counts["rows_read"] == expected["rows_read"]
        assert [row["reason"] for row in trial.waiting.to_pylist()][-1] == "time_format"
    else:
        assert _told(trial) == expected


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_encoding(tmp_path: Path, expected: dict[str, Any], encoding: str) -> None:
    data = BY_NAME["semicolon"].write(ROWS).decode().encode(encoding)
    told, trial = _tried(tmp_path, data)
    assert _told(trial) == expected
    assert (told["delimited"].get("encoding") == "windows-1252") == (encoding == "cp1252")


def test_compression(tmp_path: Path, expected: dict[str, Any]) -> None:
    data = BY_NAME["xml_attributes"].write(ROWS)
    assert _told(_tried(tmp_path, gzip.compress(data), "log.xml.gz")[1]) == expected
    zipped = packed({"october.xml": data})
    told, trial = _tried(tmp_path, zipped, "log-10.zip")
    assert told["pattern"] == ["log-*.zip"]
    assert _told(trial) == expected


def test_elements_of_a_line(tmp_path: Path) -> None:
    lines = [
        {
            "pump": {"serial": f"B-{n % 2}"},
            "entries": [
                {"t": f"2026-10-01T0{n}:00:00Z", "n": 10 + n, "what": "Start", "flow": 2.5},
                {"t": f"2026-10-01T0{n}:30:00Z", "n": 20 + n, "what": "Stop", "flow": None},
            ],
        }
        for n in range(1, 9)
    ]
    data = "".join(json.dumps(line) + "\n" for line in lines).encode()
    told, trial = _tried(tmp_path, data, "log.jsonl")
    assert told["json_lines"] == {"each": "entries", "decimal": "."}
    assert told["fields"]["pump_id"] == "pump.serial"
    assert told["fields"]["device_time"] == "item.t"
    assert told["fields"]["rate_ml_h"] == {"field": "item.flow", "unit": "mL/h"}
    assert trial.counts["events"] == 16


@pytest.mark.parametrize("path", ["", "pumps", "made.pumps"])
def test_elements_of_the_records_of_a_document(tmp_path: Path, path: str) -> None:
    """One document with an object a pump, each with a list of its events."""
    pumps: Any = [
        {
            "id": f"B-{pump}",
            "log": [
                {"t": 1_790_000_000_000 + n * 600_000, "what": ("Start", "Stop")[n % 2], "flow": n / 2}
                for n in range(20)
            ],
        }
        for pump in range(3)
    ]
    for name in reversed(path.split(".") if path else []):
        pumps = {"note": "all", name: pumps}
    told, trial = _tried(tmp_path, json.dumps(pumps, indent=1).encode(), "log.json")
    assert told["shape"] == "json_array"
    assert told["json_array"] == {"each": "log", "decimal": "."} | ({"path": path} if path else {})
    assert told["fields"]["device_time"] == "item.t"
    assert told["fields"]["rate_ml_h"] == {"field": "item.flow", "unit": "mL/h"}
    # only the name of the array says that its objects are pumps
    assert told["fields"]["pump_id"] == ("id" if path else {"value": "unknown"})
    assert trial.counts["events"] == 60


def test_a_record_longer_than_the_sample_is_drafted_from_its_first_events(tmp_path: Path) -> None:
    log = [
        {
            "t": 1_790_000_000_000 + n * 60_000,
            "what": ("Start", "Stop")[n % 2],
            "note": 'a "}]" b',
            "flow": n / 2,
        }
        for n in range(25_000)
    ]
    path = tmp_path / "log.json"
    path.write_text(json.dumps({"pumps": [{"id": "B-1", "more": {"a": [1, 2]}, "log": log}]}, indent=1))
    assert path.stat().st_size > 2 << 20
    text = draft(path)
    told = tomllib.loads(text)
    assert told["json_array"] == {"path": "pumps", "each": "log", "decimal": "."}
    assert told["fields"]["device_time"] == "item.t"
    assert "Drafted from the first 4000 records" in text


@pytest.mark.parametrize("whole", [True, False], ids=["document", "lines"])
def test_of_several_lists_the_longest_is_drafted_and_the_others_are_named(
    tmp_path: Path, whole: bool
) -> None:
    """Which list stands first in a record tells nothing, and some pumps may have logged nothing yet."""
    log = [
        {"t": 1_790_000_000_000 + n * 600_000, "what": ("Start", "Stop")[n % 2], "flow": n / 2}
        for n in range(20)
    ]
    pumps = [
        {"pump id": f"B-{n % 3}", "parts": [{"code": "x"}], "log": log if n % 2 else [], "seen": [{"u": 1}]}
        for n in range(6)
    ]
    text = json.dumps(pumps) if whole else "".join(json.dumps(pump) + "\n" for pump in pumps)
    told, _ = _tried(tmp_path, text.encode(), "log.json" if whole else "log.jsonl")
    assert told[told["shape"]]["each"] == "log"
    assert told["fields"]["kind"] == "item.what"
    text = " ".join((tmp_path / "mapping.toml").read_text(encoding="utf-8").replace("#", " ").split())
    assert "A mapping reads one list of a record; not read are 'parts', 'seen'." in text


def test_names_that_no_dotted_path_reaches_are_not_drafted(tmp_path: Path) -> None:
    """A list below such a name is none that a mapping could read; its record still is one."""
    records = [
        {"id": f"B-{n % 3}", "t": 1_790_000_000_000 + n, "in": {"": "y"}, "a.b": [{"t": n}], "": [{"u": n}]}
        for n in range(30)
    ]
    told, trial = _tried(tmp_path, json.dumps({"pumps": records}).encode(), "log.json")
    assert told["json_array"] == {"path": "pumps"}
    assert told["fields"]["device_time"] == "t"
    assert trial.counts["events"] == 30


def test_columns_without_header(tmp_path: Path) -> None:
    lines = [
        f"P-{n % 2}  2026-10-1{n % 9} 0{n % 9}:00:00 {'START' if n % 3 else 'STOP '} {n + 0.5:8.1f}\n"
        for n in range(20)
    ]
    told, trial = _tried(tmp_path, "".join(lines).encode())
    assert told["shape"] == "fixed_width"
    assert told["fixed_width"]["header"] is False
    assert told["fields"]["kind"] == "column 4"
    assert trial.counts["events_kept"] == 20


def test_device_messages(tmp_path: Path) -> None:
    data = messages(
        device_event("start", "20261001080000+0100"), device_event("stop", "20261001090000+0100")
    ).encode()
    told, trial = _tried(tmp_path, data, "log.hl7")
    assert told["shape"] == "hl7"
    assert told["canonical"] is True
    assert told["fields"]["patient_key"] == {"field": "patient", "personal": "key"}
    assert trial.counts["events_kept"] == 2


def test_only_the_beginning_of_a_large_file_is_looked_at(tmp_path: Path) -> None:
    row = "P-1,2026-10-13 08:00:00,Start,2.5\nP-2,2026-10-13 08:30:00,Stop,2.5\n"
    path = tmp_path / "log.csv"
    path.write_text("Pump,Time,Event,Rate (mL/h)\n" + row * 60_000, encoding="utf-8")
    text = draft(path)
    assert "Drafted from the first 4000 records" in text
    assert "lines do not have" not in text


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"\x00\x01\x02\x03" * 40, "UTF-32|no shape fits"),
        (b"%PDF-1.7 ...", "is a PDF"),
        (b"one word\nanother word\n", "no shape fits"),
        (b"<!DOCTYPE a [<!ENTITY b 'c'>]><a><e t='1'/><e t='2'/></a>", "document type"),
        (b"P-1,2026-10-13 08:00:00,Start\nP-1,2026-10-13 08:30:00,Stop\n", "header"),
    ],
)
def test_what_cannot_be_drafted(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "log.txt"
    path.write_bytes(data)
    with pytest.raises(InputError, match=words):
        draft(path)


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        draft(tmp_path / "log.txt")
    with pytest.raises(UsageError, match="no regular file"):
        draft(tmp_path)


@pytest.mark.parametrize(
    "header", ['He said "no"', "a\\b", "tab\there", "=1+1", "[x]", "ünï", "a # b", "\x1b[31mred"]
)
def test_any_header_makes_a_draft_that_loads(tmp_path: Path, header: str) -> None:
    path = tmp_path / "log.csv"
    quoted = header.replace('"', '""')
    path.write_text(
        f'Pump,Time,Event,"{quoted}"\nP-1,2026-10-13 08:00:00,Start,1\nP-1,2026-10-13 08:30:00,Stop,2\n',
        encoding="utf-8",
    )
    text = draft(path)
    assert header in tomllib.loads(text)["personal"]["mask"]
    assert "\x1b" not in text


def test_a_sheet_of_one_row_beside_the_log_is_no_hindrance(tmp_path: Path) -> None:
    import xlsxwriter

    path = tmp_path / "log.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet("Notes").write_row(0, 0, ["made by the harbour's pump room"])
        sheet = book.add_worksheet("Log")
        for number, row in enumerate([["Pump", "Time", "Event"], ["P-1", "2026-10-13 08:00:00", "Start"]]):
            sheet.write_row(number, 0, row)
    told = tomllib.loads(draft(path))
    assert told["workbook"] == {"sheet": "Log"}
