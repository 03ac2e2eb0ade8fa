"""Files that are not what they should be: said plainly, nothing lost in silence or odd on the screen."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.event_samples import HEADER, drop, events, make_site, read, rows

from dripledger.errors import DripledgerError, InputError
from dripledger.site import load_site
from dripledger.sources import staging
from dripledger.sources.records import LONGEST_VALUE_BYTES

FIRST = "P1,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"

CANONICAL = """
pattern = ["*"]
shape = "SHAPE"
canonical = true
records = ["all"]
[time]
zone = "UTC"
"""


def _failure(root: Path, data: str | bytes) -> InputError:
    site = make_site(root)
    drop(site, "wards.csv", data)
    result = read(site)
    assert result.exit_code == 3
    (failure,) = result.failures
    assert isinstance(failure, InputError)
    assert str(failure).isprintable()
    return failure


@pytest.mark.parametrize("tail", ["", FIRST], ids=["throughout", "then a line feed"])
def test_line_ends_of_carriage_returns_alone(tmp_path: Path, tail: str) -> None:
    failure = _failure(tmp_path, (HEADER + FIRST).replace("\n", "\r") + tail)
    assert "carriage return" in str(failure)
    assert failure.do is not None


def test_carriage_return_inside_a_quoted_name(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER.replace("\n", ',"a\rb"\r\n') + FIRST.replace("\n", ",x\r\n"))
    assert read(site).total("events") == 1


@pytest.mark.parametrize("code", ["utf-16", "utf-16-le", "utf-16-be"])
def test_wide_characters_are_read_and_said(tmp_path: Path, code: str) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", (HEADER + FIRST).encode(code))
    result = read(site)
    assert result.total("events") == 1
    (note,) = result.notes
    assert note.startswith("wards.csv: read as UTF-16")


@pytest.mark.parametrize("code", ["utf-32", "utf-32-le", "utf-32-be"])
def test_still_wider_characters(tmp_path: Path, code: str) -> None:
    assert "UTF-32" in str(_failure(tmp_path, (HEADER + FIRST).encode(code)))


@pytest.mark.parametrize("code", ["utf-16", "utf-16-le"])
def test_wide_characters_in_json(tmp_path: Path, code: str) -> None:
    text = CANONICAL.replace("SHAPE", "json_lines")
    site = make_site(tmp_path, {"plain": text})
    record = {"pump_id": "P1", "device_time": "2026-10-01T10:00:00", "kind": "infusion_started"}
    drop(site, "a.jsonl", json.dumps(record).encode(code))
    assert read(site).total("events") == 1


def test_nothing_but_zeros(tmp_path: Path) -> None:
    assert "NUL" in str(_failure(tmp_path, bytes(500)))


def test_messages_hold_no_control_characters() -> None:
    told = DripledgerError("the header has: \x1b[31m\x00\u202eabc", where="a\nb", column="\udcff", do="x\ty")
    assert str(told).isprintable()
    assert "\\x1b[31m\\x00\\u202eabc" in str(told)
    assert "é" in str(DripledgerError("é"))


@pytest.mark.parametrize("quote", ["", '"'])
@pytest.mark.parametrize("broken", ["", "P1,cut\n"], ids=["quick path", "exact path"])
def test_value_too_long(tmp_path: Path, quote: str, broken: str) -> None:
    site = make_site(tmp_path)
    long = FIRST.replace(",1,", ",2,").replace("Heparin", f"{quote}{'x' * (LONGEST_VALUE_BYTES + 1)}{quote}")
    drop(site, "wards.csv", HEADER + FIRST + long + FIRST.replace(",1,", ",3,") + broken)
    read(site)
    assert rows(site, "select source_record, reasons from quarantined where source_record < 4") == [
        (2, ["value_too_long"])
    ]
    assert rows(site, "select sequence from events order by 1") == [(1,), (3,)]


def test_quote_that_never_closes_keeps_its_reason(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + FIRST + 'P1,"x\nP1,"' + "x" * (LONGEST_VALUE_BYTES + 1))
    read(site)
    assert rows(site, "select source_record, reasons from quarantined order by 1") == [
        (2, ["quote_never_closes"]), (3, ["quote_never_closes"]),
    ]  # fmt: skip


@pytest.mark.parametrize("shape", ["delimited", "json_lines"])
def test_file_replaced_after_it_was_archived(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shape: str
) -> None:
    """What stands in the store is what the original holds, whatever happened to the file in between."""
    text = CANONICAL.replace("SHAPE", shape)
    site = make_site(tmp_path, {"plain": text})
    if shape == "delimited":
        data = "pump_id,device_time,kind\nP1,2026-10-01T10:00:00,infusion_started\n"
    else:
        data = '{"pump_id": "P1", "device_time": "2026-10-01T10:00:00", "kind": "infusion_started"}\n'
    path = drop(site, "a", data)
    true_stage = staging.stage

    def late(*args: object) -> object:
        path.write_text(data.replace("P1", "P7"))
        return true_stage(*args)  # type: ignore[arg-type]

    monkeypatch.setattr("dripledger.events.run.stage", late)
    read(load_site(tmp_path))
    assert events(site, ("pump_id",)) == [("P1",)]


def test_a_header_below_titles_is_named_by_its_own_row(tmp_path: Path) -> None:
    from tests.event_samples import WARDS

    site = make_site(tmp_path, {"wards": WARDS + "[delimited]\ntitle_lines = 2\n"})
    drop(site, "wards.csv", "Harbour Hill\n\n" + HEADER.replace("Weight", "Mass") + FIRST)
    (failure,) = read(site).failures
    assert failure.row == 3
    assert "lacks the column 'Weight'" in str(failure)
