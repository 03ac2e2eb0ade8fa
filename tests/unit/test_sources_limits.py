"""Files past a limit are refused whole with a reason, and the rest goes on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.event_samples import HEADER, WARDS, drop, events, make_site, read
from tests.functional.written_logs import gzipped, packed

MIB = 1 << 20
CANONICAL = """
pattern = ["*.{ending}"]
shape = "{shape}"
canonical = true
records = ["all"]
{options}
[time]
zone = "UTC"
"""
FIRST_RECORD = {"pump_id": "P1", "device_time": "2026-10-01T10:00:00", "kind": "infusion_started"}
XML = b'<log><event pump_id="P1" device_time="2026-10-01T10:00:00" kind="infusion_started">%s</event></log>'


def _mapping(shape: str, ending: str, options: str = "") -> str:
    return CANONICAL.format(shape=shape, ending=ending, options=options)


#: Limits of a site, and files past them: name, content, words of the refusal, the limit that it names.
PAST: dict[str, list[tuple[str, bytes, str, str]]] = {
    "members = 1\ncolumns = 7\nrecord_mib = 1\nnesting = 5\nworkbook_mib = 0.01": [
        ("two.zip", packed({"wards7.csv": "x", "wards8.csv": "y"}), "holds 2 files", "members"),
        ("wards1.csv", HEADER.encode(), "has 8 columns", "columns"),
        ("long.jsonl", b'{"pump_id": "' + b"x" * (6 * MIB), "record 1 is longer", "record_mib"),
        ("list.json", b'[{}, {"pump_id": "' + b"x" * (6 * MIB), "record 2 is longer", "record_mib"),
        ("long.xml", XML % (b"x" * (6 * MIB)), "record 1 is longer", "record_mib"),
        ("deep.xml", XML % (b"<a>" * 9 + b"</a>" * 9), "deeper than 5 levels", "nesting"),
        ("deep.json", b'[{"a": [[[[[[[1]]]]]]]}]', "deeper than 5 levels", "nesting"),
        ("a.xlsx", packed({"xl/workbook.xml": bytes(20_000)}), "unpacks to more than", "workbook_mib"),
    ],
    "unpacked_gib = 0.0001": [
        ("a.zip", packed({"wards1.csv": bytes(200_000)}), "unpacks to more than", "unpacked_gib"),
        ("wards1.csv.gz", gzipped(bytes(200_000)), "unpacks to more than", "unpacked_gib"),
    ],
    "": [
        ("wards1.csv.gz", gzipped(HEADER.encode() + b"a" * (17 * MIB)), "more than 200 times",
         "unpack_ratio"),
        ("a.zip", packed({"wards1.csv": HEADER.encode() + b"a" * (17 * MIB)}), "more than 200 times",
         "unpack_ratio"),
    ],
}  # fmt: skip


@pytest.mark.parametrize("limits", PAST, ids=["of content", "of what is unpacked", "as shipped"])
def test_limit(tmp_path: Path, limits: str) -> None:
    mappings = {
        "wards": WARDS,
        "lines": _mapping("json_lines", "jsonl"),
        "array": _mapping("json_array", "json"),
        "xml": _mapping("xml", "xml", '[xml]\nrecord = "log/event"'),
        "book": _mapping("workbook", "xlsx"),
    }
    site = make_site(tmp_path, mappings, f"[limits]\n{limits}\n")
    for name, data, _, _ in PAST[limits]:
        drop(site, name, data)
    drop(site, "good.jsonl", json.dumps(FIRST_RECORD))
    result = read(site)
    told = [str(failure) for failure in result.failures]
    for name, _, what, key in PAST[limits]:
        (failure,) = [text for text in told if f"/{name}" in text or text.startswith(name)]
        assert what in failure
        assert repr(key) in failure
    assert len(told) == len(PAST[limits])
    assert result.exit_code == 3
    assert [f.path for f in result.files] == ["good.jsonl"]
    assert len(events(site)) == 1


@pytest.mark.parametrize("name", ["../a.csv", "/a.csv", "a/../../b.csv", "..\\a.csv", "C:\\a.csv"])
def test_zip_that_climbs(tmp_path: Path, name: str) -> None:
    site = make_site(tmp_path)
    drop(site, "a.zip", packed({"wards.csv": HEADER, name: HEADER}))
    result = read(site)
    (failure,) = result.failures
    assert "leads out of it" in str(failure)
    assert not result.files
    assert not [p for p in tmp_path.rglob("*.csv") if p.name in ("a.csv", "b.csv")]


def test_lines_nested_deep_are_read_or_wait(tmp_path: Path) -> None:
    """The engine's parser keeps its own stack: a hundred thousand levels hurt nobody."""
    site = make_site(tmp_path, {"lines": _mapping("json_lines", "jsonl")})
    deep = '{"a":' * 100_000 + "1" + "}" * 100_000
    drop(site, "a.jsonl", json.dumps(FIRST_RECORD) + "\n" + deep + "\n")
    result = read(site)
    assert (result.total("rows_read"), result.total("quarantined"), result.total("events")) == (2, 1, 1)
