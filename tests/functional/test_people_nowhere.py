"""Names, birth dates, staff ids planted in three shapes: none reaches store, messages or temporary files."""

from __future__ import annotations

import contextlib
import io
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from dripledger.cli import main
from dripledger.events import run as run_room
from tests.functional.hl7.messages import event, text
from tests.marks import LONG

SITE = Path(__file__).parent / "hl7"
PLANTED = (
    "Zuleika", "Quillfeather", "Ottoline", "1931-02-17", "19310217", "19520714", "1952-07-14", "STAFF-88123",
    "NURSE-4471", "MRN-55501777", "FH700155", "ORDER-66612",
)  # fmt: skip
WARDS = """
pattern = ["*.csv"]
shape = "delimited"
records = ["all"]
[time]
zone = "site"
[fields]
pump_id = "Pump"
device_time = "When"
kind = "What"
rate_ml_h = { field = "Rate", unit = "mL/h" }
patient_key = { field = "MRN", personal = "key" }
order_key = { field = "Order", personal = "key" }
[delimited]
separator = ","
[kinds]
GO = "infusion_started"
END = "infusion_stopped"
[personal]
mask = ["Name", "Born", "Nurse"]
"""
LINES = """
pattern = ["*.jsonl"]
shape = "json_lines"
records = ["all"]
[json_lines]
each = "events"
[time]
zone = "site"
[fields]
pump_id = "pump"
device_time = "item.when"
kind = "item.what"
rate_ml_h = { field = "item.rate", unit = "mL/h" }
patient_key = { field = "patient.mrn", personal = "key" }
[kinds]
GO = "infusion_started"
END = "infusion_stopped"
[personal]
mask = ["patient.name", "item.nurse"]
"""
CSV = (
    "Pump,When,What,Rate,MRN,Order,Name,Born,Nurse,Remark\n"
    'P1,2026-10-01 08:00:00,GO,5,MRN-55501777,ORDER-66612,"Quillfeather, Zuleika",1931-02-17,STAFF-88123,x\n'
    'P1,2026-10-01 09:00:00,END,,MRN-55501777,,"Quillfeather, Zuleika",1931-02-17,STAFF-88123,for Zuleika\n'
    "P1,no time,GO,5,MRN-55501777,ORDER-66612,Zuleika,1931-02-17,STAFF-88123,\n"
    "P1,2026-10-01 10:00:00,GO,fast,MRN-55501777,,Zuleika,1931-02-17,STAFF-88123,\n"
    "P1,2026-10-01 11:00:00,GO,5,MRN-55501777,,Quillfeather, Zuleika,1931-02-17,STAFF-88123,\n"
    "P1,2026-10-01 12:00:00,WHAT,5,MRN-55501777,,Zuleika,1931-02-17,STAFF-88123,\n"
    'P1,2026-10-01 13:00:00,GO,5,MRN-55501777,,"Zuleika Quillf'
)
PERSON = '"patient":{"mrn":"MRN-55501777","name":"Zuleika Quillfeather","born":"1931-02-17"}'
JSON = (
    f'{{"pump":"P2",{PERSON},"events":[{{"when":"2026-10-01 08:00:00","what":"GO","rate":5,'
    '"nurse":"STAFF-88123"}]}\n'
    f'{{"pump":"P2",{PERSON},"events":[{{"when":"late","what":"GO","rate":"x","nurse":"STAFF-88123"}}]}}\n'
    f'{{"pump":"P2",{PERSON},"events":[{{"when":"2026-10-01 09:00:00","wh'
)


def _words(data: str) -> list[str]:
    folded = data.casefold()
    return [word for word in PLANTED if word.casefold() in folded]


def _text(path: Path) -> str:
    """Return everything in a file as text: what parquet compresses too."""
    data = path.read_bytes()
    shown = data.decode("utf-8", "replace") + data.decode("utf-16-le", "replace")
    if data[:4] == b"PAR1" and data[-4:] == b"PAR1":
        shown += repr(pq.ParquetFile(path).read().to_pylist())
    return shown


def search(*folders: Path) -> dict[str, list[str]]:
    """Return file -> planted words in it, outside `inbox/` and `originals/`."""
    found = {}
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            parts = set(path.relative_to(folder).parts)
            if path.is_file() and not parts & {"inbox", "originals"} and (words := _words(_text(path))):
                found[str(path.relative_to(folder))] = words
    return found


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Return a site with three sources; every run that writes is searched while it still runs."""
    root, temp, key = tmp_path / "a site", tmp_path / "temp", tmp_path / "a.key"
    (root / "sources").mkdir(parents=True)
    (root / "inbox").mkdir()
    temp.mkdir()
    for name in ("TMPDIR", "TEMP", "TMP"):
        monkeypatch.setenv(name, str(temp))
    monkeypatch.setattr("tempfile.tempdir", str(temp))
    monkeypatch.delenv("DRIPLEDGER_KEY", raising=False)
    key.write_text("0123456789abcdef" * 4, encoding="ascii")
    key.chmod(0o600)
    (root / "site.toml").write_text(
        'format = 1\nfacility = "Fennmark Hill"\ntime_zone = "America/Chicago"\n'
        f'[people]\nkey_file = "{key}"\n',
        encoding="utf-8",
    )
    shutil.copy(SITE / "sources" / "device_messages.toml", root / "sources")
    (root / "sources" / "wards.toml").write_text(WARDS, encoding="utf-8")
    (root / "sources" / "lines.toml").write_text(LINES, encoding="utf-8")
    (root / "inbox" / "w.csv").write_text(CSV, encoding="utf-8")
    (root / "inbox" / "l.jsonl").write_text(JSON, encoding="utf-8")
    good = event("start", "20261001080000-0500")
    # fields of the segment that nobody declared: mother's name, address, telephone, religion
    more = "|Ottoline^Quillfeather|STAFF-88123|Zuleika Lane 1|19310217" * 6
    planted = [segment + more if segment.startswith("PID|") else segment for segment in good]
    assert planted != good
    (root / "inbox" / "m.hl7").write_text(
        text(planted, event("start", "20261001090000-0500", weight="heavy")), encoding="utf-8"
    )
    searched = []

    def staged(run: run_room.Run, *args: Any, **options: Any) -> Any:
        told = original(run, *args, **options)
        # staging, and whatever else a run lays down for a while, as it stands before anything is taken away
        searched.append(sum(path.is_file() for path in run.folder.rglob("*")))
        assert search(root, temp, run.folder) == {}
        return told

    original = run_room.Run.staged
    monkeypatch.setattr(run_room.Run, "staged", staged)
    yield root
    assert searched
    assert any(searched)
    assert search(root, temp) == {}


def said(*argv: str) -> str:
    """Run a command and return all that it prints, after making sure that no planted word is in it."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(argv)
    told = f"exit code {code}\n{out.getvalue()}\n{err.getvalue()}"
    assert _words(told) == []
    return told


@pytest.mark.slow
@pytest.mark.merge
def test_no_planted_word_leaves_inbox_and_originals(site: Path) -> None:
    at = ["--site", str(site)]
    assert "exit code 4" in said("ingest", *at)
    for command in (
        ["balance"],
        ["quarantine"],
        ["quarantine", "--retry"],
        ["status"],
        ["clocks", "estimate"],
    ):
        for form in ("table", "csv", "json"):
            said(*command, *at, "--format", form)
    said("query", "select * from events", *at, "--json")
    said("query", "select * from quarantined", *at, "--json")
    said("verify", str(site))
    said("report", "--month", "2026-10", *at)
    # a mended mapping derives again, and a source is read again
    mapping = site / "sources" / "wards.toml"
    mapping.write_text(WARDS + '[units]\nx = "mL/h"\n', encoding="utf-8")
    assert "exit code" in said("ingest", *at)
    mapping.write_text(WARDS.replace('GO = "infusion_started"', 'GO = "bolus_started"'), encoding="utf-8")
    said("ingest", *at)
    for source in ("wards", "lines", "device_messages"):
        said("ingest", "--redo", source, *at)
    mapping.write_text(WARDS, encoding="utf-8")
    said("ingest", "--redo", "wards", "--json", *at)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        pytest.param('pump_id = "Pump"', 'pump_id = "Device"', marks=LONG),
        pytest.param('separator = ","', 'separator = ";"', marks=LONG),
        pytest.param('zone = "site"', 'zone = "in_text"', marks=LONG),
        ("[kinds]", '[[ignore]]\nwhen = "cast(Rate as integer) > 3"\nreason = "left out"\n[kinds]'),
    ],
)
def test_nor_do_refusals_and_failures_tell_one(site: Path, old: str, new: str) -> None:
    said("ingest", "--site", str(site))
    path = site / "sources" / "wards.toml"
    path.write_text(
        WARDS.replace(old, new).replace('mask = ["Name", "Born", "Nurse"]', 'mask = ["Name"]'), "utf-8"
    )
    said("ingest", "--site", str(site))
    said("ingest", "--redo", "wards", "--site", str(site))


def test_key_that_others_can_read_is_refused(site: Path) -> None:
    said("ingest", "--site", str(site))
    key = site.parent / "a.key"
    key.chmod(0o640)
    told = said("ingest", "--redo", "wards", "--site", str(site))
    assert "exit code 2" in told
    assert "can be read by others than its owner" in told
    assert f"chmod 600 {key}" in told
    key.chmod(0o600)
    assert key.stat().st_mode & 0o077 == 0
