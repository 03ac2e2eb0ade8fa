"""Hostile files in every shape: each record is accounted for, and no terminal is told anything raw."""

from __future__ import annotations

import gzip
import json
import os
import stat
import zipfile
from pathlib import Path

import pytest
from tests.event_samples import HEADER, WARDS, drop, events, make_site, read, rows
from tests.faults import hostile
from tests.faults.hostile import SHAPES
from tests.functional.written_logs import BY_NAME, ROWS, gzipped, open_document, packed

from dripledger.cli import main
from dripledger.events import ingest
from dripledger.site import load_site
from dripledger.store import is_sound, verify_store

MIB = 1 << 20
ENTITIES = (
    b'<?xml version="1.0"?><!DOCTYPE log [<!ENTITY a "ha">'
    + b"".join(b'<!ENTITY %c "%s">' % (98 + n, (b"&%c;" % (97 + n)) * 10) for n in range(9))
    + b"]><log><events><event><Device>&j;</Device></event></events></log>"
)
OUTSIDE = b'<?xml version="1.0"?><!DOCTYPE log [<!ENTITY a SYSTEM "file:///etc/passwd">]><log><events/></log>'
GOOD = HEADER + "P9,2026-10-01 08:00:00,1,START,ICU,Heparin,5,70\n"


def test_every_value_in_every_place(tmp_path: Path) -> None:
    site = hostile.make(tmp_path)
    logs = {form.name: hostile.rows_for(form) for form in SHAPES}
    for form in SHAPES:
        drop(site, form.name, form.write(tuple(logs[form.name])))
    result = ingest(load_site(tmp_path))
    assert [str(failure) for failure in result.failures] == []
    assert result.balanced
    told = {file.path: (file.rows_read, file.events_kept) for file in result.files}
    assert {name: read for name, (read, _) in told.items()} == {name: len(log) for name, log in logs.items()}
    assert sum(told[name][0] for name in told) > 2000
    assert is_sound(verify_store(site.store))
    finite = "isfinite(rate_ml_h) and isfinite(weight_kg) and not isnan(rate_ml_h) and not isnan(weight_kg)"
    assert rows(site, f"select rate_ml_h, weight_kg from events where not ({finite})") == []


def test_every_value_in_device_messages(tmp_path: Path) -> None:
    site = hostile.make(tmp_path, ())
    text, count = hostile.messages()
    drop(site, "m.hl7", text)
    result = ingest(load_site(tmp_path))
    assert [str(failure) for failure in result.failures] == []
    assert (result.balanced, result.total("rows_read")) == (True, count)
    assert is_sound(verify_store(site.store))


def test_nothing_reaches_a_terminal_raw(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    form = BY_NAME["comma"]
    site = hostile.make(tmp_path, (form,))
    drop(site, "comma", form.write(tuple(hostile.rows_for(form))))
    drop(site, "comma\x1b[31m\x07", form.write(()) + b"\x1b[2J,\x1b[2J\n")
    drop(site, "nobody\x1b[31m.txt", "x")
    drop(site, "comma\x1b]0;x\x07.zip", b"PK")
    at = ["--site", str(tmp_path), "--format", "table"]
    for command in (
        ["ingest"], ["balance"], ["quarantine"], ["status"], ["clocks", "estimate"],
        ["query", "select * from events"], ["query", "select \x1b[31m"], ["measures"],
        ["query", "select * from \"\x1b[31m\""],
    ):  # fmt: skip
        main([*command, *at])
        told = capsys.readouterr()
        for place, words in (("out", told.out), ("err", told.err)):
            raw = {c for c in words if not c.isprintable() and c != "\n"}
            assert not raw, f"{command}: {raw} on {place}"


def broken_stream() -> bytes:
    """Return a workbook whose sheets cannot be unpacked, though its directory is sound."""
    found = bytearray(BY_NAME["xlsx"].write(ROWS))
    for name in (b"xl/worksheets/sheet1.xml", b"xl/worksheets/sheet2.xml"):
        at = found.index(name) + len(name)
        found[at : at + 20] = b"\xff" * 20
    return bytes(found)


BROKEN_STREAM = broken_stream()
#: A file, what is in it, and words of its refusal.
REFUSED: tuple[tuple[str, bytes, str], ...] = (
    ("xml_children.xml", ENTITIES, "document type"),
    ("xml_children.xml", OUTSIDE, "document type"),
    ("xlsx.xlsx", packed({"xl/workbook.xml": ENTITIES}), ""),
    ("xlsx.xlsx", BROKEN_STREAM, "damaged workbook"),
    ("ods.ods", open_document(ENTITIES.decode()), ""),
    ("comma.csv", b"\0" * 100_000, "NUL"),
    ("comma.csv", b"\0".join(GOOD.encode().split(b"e")), ""),
    ("comma.csv", GOOD.encode() + b"P9,\xff\xfe\xc0\xaf,2,STOP,,,,\nP9,,,,,,,\n", "not UTF-8"),
    ("json_lines.jsonl", b'{"Device": "\xed\xa0\x80"}\n{}\n', "not UTF-8"),
    ("comma.csv", ",".join(f"c{n}" for n in range(1_000_000)).encode() + b"\n1\n", ""),
    ("json_lines.jsonl", b'{"Device": "' + b"x" * (20 * MIB) + b'"}\n', "longer than 16 MiB"),
    ("comma.csv", GOOD.encode() + b"P9," + b"x" * (20 * MIB), "longer than 16 MiB"),
    ("fixed_width.txt", b"x" * (20 * MIB), "longer than 16 MiB"),
    ("xml_children.xml", b"<log><events><event>" + b"x" * (20 * MIB), "longer than 16 MiB"),
    ("json_array.json", b'[{"Device": "' + b"x" * (20 * MIB), "longer than 16 MiB"),
    ("comma.csv.gz", gzip.compress(GOOD.encode() + bytes(20 * MIB), 9), ""),
    ("comma.zip", packed({"comma.csv": GOOD.encode() + b"a" * (20 * MIB)}), "times its size"),
    ("comma.zip", packed({"../comma.csv": GOOD}), "leads out"),
    ("comma.zip", packed({"comma.zip": packed({"comma.csv": GOOD})}), "zip inside a zip"),
    ("comma.csv.gz", gzipped(GOOD.encode())[:-9], "damaged"),
)  # fmt: skip


def test_a_hostile_file_is_refused_whole_and_the_rest_goes_on(tmp_path: Path) -> None:
    site = hostile.make(tmp_path)
    (site.sources / "wards.toml").write_text(WARDS, encoding="utf-8")
    for place, (name, data, _) in enumerate(REFUSED):
        drop(site, f"{place}/{name}", data)
    drop(site, "wards1.csv", GOOD)
    result = read(site)
    told = [str(failure) for failure in result.failures]
    for place, (name, _, what) in enumerate(REFUSED):
        found = [text for text in told if f"/{place}/{name}" in text or text.startswith(f"{place}/{name}")]
        assert len(found) == 1, (place, name, told)
        assert what in found[0]
        assert len(found[0]) < 1000
    assert len(told) == len(REFUSED)
    assert result.exit_code == 3
    assert [(f.path, f.events) for f in result.files] == [("wards1.csv", 1)]
    assert len(events(site)) == 1
    assert not list(tmp_path.rglob("*passwd*"))


def test_ten_mebibytes_in_a_field_wait_or_are_kept(tmp_path: Path) -> None:
    site = hostile.make(tmp_path)
    row = ("P-1", "2026-10-01 08:00:00", "1", "START", "ICU", "x" * (10 * MIB), "5", "70", "")
    for name in ("comma", "json_lines", "json_array", "xml_children"):
        drop(site, name, BY_NAME[name].write((row, (*row[:5], "Heparin", *row[6:]))))
    result = read(site)
    assert result.balanced
    assert result.total("rows_read") + 2 * len(result.failures) == 8
    assert all("longer" in str(failure) for failure in result.failures)


def test_a_message_of_twenty_mebibytes_waits_in_pieces(tmp_path: Path) -> None:
    site = hostile.make(tmp_path, ())
    drop(site, "m.hl7", b"MSH|^~\\&|GATEWAY|" + b"x" * (20 * MIB))
    result = read(site)
    assert result.failures == ()
    assert (result.balanced, result.total("events")) == (True, 0)
    assert rows(site, "select reasons[1], fields_json from quarantined") == [("not_a_message", None)]


def test_links_are_read_by_their_own_name_and_never_followed_out_of_a_zip(tmp_path: Path) -> None:
    site = make_site(tmp_path / "site")
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "wards_far.csv").write_text(GOOD, encoding="utf-8")
    (site.inbox / "wards_dir").symlink_to(outside)
    (site.inbox / "wards_none.csv").symlink_to(outside / "nowhere.csv")
    (site.inbox / "wards_round.csv").symlink_to(site.inbox / "wards_round.csv")
    (site.inbox / "other.txt").symlink_to("/etc/passwd")
    info = zipfile.ZipInfo("wards9.csv")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    with zipfile.ZipFile(site.inbox / "wards.zip", "w") as archive:
        archive.writestr(info, "/etc/passwd")
    os.mkfifo(site.inbox / "wards_pipe.csv")
    result = read(site)
    (failure,) = result.failures
    assert "a link instead of a file" in str(failure)
    assert result.files == ()
    told = " ".join(result.irregular)
    assert [word in told for word in ("wards_dir", "wards_none", "wards_round", "wards_pipe")] == [True] * 4
    assert result.unclaimed == ("other.txt",)


def test_negative_durations_and_years_at_the_ends(tmp_path: Path) -> None:
    mapping = WARDS.replace('care_area = "Area"', 'programmed_duration_s = { field = "Area", unit = "s" }')
    site = make_site(tmp_path, {"wards": mapping})
    values = ("-1", "-1e308", "1e308", "NaN", "inf", "0", "60", "x")
    lines = [f"P1,2026-10-01 08:00:{n:02d},{n},START,{v},Heparin,5,70\n" for n, v in enumerate(values)]
    drop(site, "wards1.csv", HEADER + "".join(lines))
    result = ingest(load_site(tmp_path))
    assert (result.balanced, result.total("rows_read")) == (True, len(values))
    kept = rows(site, "select programmed_duration_s, implausible from events order by sequence")
    assert [v for v, odd in kept if v is not None and v < 0 and not odd] == []
    assert all(v is None or abs(v) <= 1e308 for v, _ in kept)


@pytest.mark.slow
def test_a_line_of_two_gigabytes(tmp_path: Path) -> None:
    site = hostile.make(tmp_path)
    drop(site, "json_lines.jsonl", json.dumps({"Device": "P"}) + "\n")
    with (site.inbox / "comma.csv").open("wb") as out:
        out.write(GOOD.encode())
        out.truncate(2 << 30)
    with (site.inbox / "fixed_width.txt").open("wb") as out:
        for _ in range(2048):
            out.write(b"x" * MIB)
    result = read(site)
    assert len(result.failures) == 2
    assert result.total("rows_read") == 1
