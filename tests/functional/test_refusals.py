"""What is refused, and how: one clear message, the documented exit code, and nothing half-written."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

from tests.functional.conftest import HEADER, TWO_INFUSIONS, CommandLine, infusion

MORE = HEADER + infusion("P-2", "2026-10-05T08:00:00", "2026-10-05T08:30:00", 1)
BAD_RECORD = "P-9,A,not a time,1,infusion_started,ICU,morphine,limited,10\n"


def _write(path: Path, text: str | bytes) -> Path:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_missing_file(cli: CommandLine, filled: Path, unchanged: Any) -> None:
    check = unchanged(filled)
    cli("ingest", "nowhere.csv", "--site", filled).refused(3, "nowhere.csv", "no such file")
    check()


def test_a_missing_file_does_not_keep_the_others_out(cli: CommandLine, filled: Path) -> None:
    other = _write(cli.folder / "more.csv", MORE)
    done = cli("ingest", "nowhere.csv", other, "--source", "plain", "--site", filled, "--json")
    done.refused(3, "nowhere.csv")
    assert done.json["events"] == 2
    assert cli.ok("balance", "--site", filled, "--json").json["events"] == 6


def test_wrong_column(cli: CommandLine, filled: Path, unchanged: Any) -> None:
    (filled / "sources" / "named.toml").write_text(
        'pattern = ["*.txt"]\nshape = "delimited"\nrecords = ["all"]\n[time]\nzone = "site"\n'
        '[fields]\npump_id = "Pump"\ndevice_time = "When"\nkind = "What"\n'
        '[kinds]\n"GO" = "infusion_started"\n',
        encoding="utf-8",
    )
    export = _write(filled / "inbox" / "export.txt", "Pump,Wann,What\nP-1,2026-10-01T08:00:00,GO\n")
    check = unchanged(filled / "store")
    cli("ingest", "--site", filled).refused(3, export.name, "'When'")
    check()


def test_unreadable_encoding(cli: CommandLine, filled: Path, unchanged: Any) -> None:
    text = MORE.replace("ICU", "Säuglinge")
    export = _write(filled / "inbox" / "latin.csv", text.encode("latin-1"))
    check = unchanged(filled / "store")
    cli("ingest", "--site", filled).refused(3, export.name, "UTF-8")
    check()


def test_an_unreadable_file_outranks_the_quarantine_share(cli: CommandLine, filled: Path) -> None:
    _write(filled / "inbox" / "latin.csv", MORE.replace("ICU", "Säuglinge").encode("latin-1"))
    _write(filled / "inbox" / "more.csv", MORE + BAD_RECORD)
    done = cli("ingest", "--site", filled, "--json")
    done.refused(3, "latin.csv")
    assert (done.json["events"], done.json["quarantined"]) == (2, 1)
    assert done.json["balanced"] is True


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('shape = "delimited"', 'shape = "delimited"\nsahpe = 1', ["plain.toml", "sahpe", "not a known key"]),
        ('shape = "delimited"', 'shape = "spreadsheet"', ["plain.toml", "shape"]),
        ('records = ["all"]', 'records = ["infusion_begun"]', ["plain.toml", "infusion_begun"]),
        ('records = ["all"]', "", ["plain.toml", "records"]),
        ('zone = "site"', "", ["plain.toml", "time.zone"]),
        ('zone = "site"', 'zone = "Lisbon"', ["plain.toml", "Lisbon", "IANA"]),
        ("[time]", "[time", ["plain.toml", "TOML", "line"]),
        ("[time]", '[fields]\nrate_mlh = "x"\n[time]', ["plain.toml", "rate_mlh"]),
        ("[time]", "[fields]\nrate_ml_h = { expr = \"sum(rate)\" }\n[time]", ["plain.toml", "sum"]),
        ("[time]", "[[ignore]]\nwhen = \"a = 1; drop table x\"\nreason = \"r\"\n[time]", ["plain.toml"]),
    ],
)  # fmt: skip
def test_bad_mapping(
    cli: CommandLine, filled: Path, unchanged: Any, old: str, new: str, words: list[str]
) -> None:
    path = filled / "sources" / "plain.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    _write(filled / "inbox" / "more.csv", MORE)
    check = unchanged(filled)
    cli("ingest", "--site", filled).refused(2, *words)
    check()


def test_what_a_draft_assumed_is_refused(cli: CommandLine, filled: Path, unchanged: Any) -> None:
    path = filled / "sources" / "plain.toml"
    path.write_text('assumed = ["the zone"]\n' + path.read_text(encoding="utf-8"), encoding="utf-8")
    _write(filled / "inbox" / "more.csv", MORE)
    check = unchanged(filled)
    cli("ingest", "--site", filled).refused(2, "plain.toml", "assumed")
    check()


def test_the_pump_that_a_draft_could_not_name_is_refused(
    cli: CommandLine, filled: Path, unchanged: Any
) -> None:
    """Nothing is assumed any more, and still all pumps of the file would be one."""
    path = filled / "sources" / "plain.toml"
    text = path.read_text(encoding="utf-8")
    assert "[fields]" not in text
    path.write_text(text + '\n[fields]\npump_id = { value = "unknown" }\n', encoding="utf-8")
    _write(filled / "inbox" / "more.csv", MORE)
    check = unchanged(filled)
    for more in ((), ("--redo", "plain")):
        cli("ingest", "--site", filled, *more).refused(2, "plain.toml", "fields.pump_id", "single pump")
    check()
    path.write_text(text + '\n[fields]\npump_id = { value = "P-1" }\n', encoding="utf-8")
    cli.ok("ingest", "--site", filled)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("format = 1", "format = 1\nfacilty = 2", ["site.toml", "facilty", "not a known key"]),
        ('"Europe/Lisbon"', '"Lisbon"', ["site.toml", "time_zone", "IANA"]),
        ("format = 1", "format = 7", ["site.toml", "format"]),
        ("facility = ", "facility ", ["site.toml", "TOML"]),
    ],
)
def test_bad_site(
    cli: CommandLine, filled: Path, unchanged: Any, old: str, new: str, words: list[str]
) -> None:
    path = filled / "site.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    check = unchanged(filled)
    for args in (["ingest"], ["balance"], ["measures"]):
        cli(*args, "--site", filled).refused(2, *words)
    check()


def test_bad_list_names_row_and_column(cli: CommandLine, filled: Path, unchanged: Any) -> None:
    (filled / "clocks.csv").write_text("pump,from,offset_s\nP-1,2026-10-01,fast\n", encoding="utf-8")
    check = unchanged(filled)
    cli("ingest", "--site", filled).refused(2, "clocks.csv", "row 2", "'offset_s'", "'fast'")
    check()


def test_times_without_an_offset_wait_where_offsets_are_promised(cli: CommandLine, site: Path) -> None:
    path = site / "sources" / "plain.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('"site"', '"in_text"'), encoding="utf-8")
    _write(site / "inbox" / "october.csv", TWO_INFUSIONS)
    done = cli("ingest", "--site", site, "--json")
    assert done.code == 4
    assert done.json["quarantined"] == 4
    assert done.json["events"] == 0


def test_store_in_use(cli: CommandLine, filled: Path, unchanged: Any) -> None:
    _write(filled / "inbox" / "more.csv", MORE)
    check = unchanged(filled / "store")
    with FileLock(filled / "store" / "writer.lock"):
        cli("ingest", "--wait", "0.2", "--site", filled).refused(6, "another process", "--wait")
        assert cli.ok("balance", "--site", filled, "--json").json["events"] == 4, "readers never wait"
    check()
    assert cli.ok("ingest", "--site", filled, "--json").json["events"] == 2


def test_newer_store(cli: CommandLine, filled: Path, unchanged: Any) -> None:
    path = filled / "store" / "format.json"
    path.chmod(0o600)
    path.write_text(json.dumps({"format": 99}), encoding="utf-8")
    _write(filled / "inbox" / "more.csv", MORE)
    check = unchanged(filled)
    for args in (["ingest"], ["balance"], ["query", "select 1"], ["status"], ["upgrade"], ["verify", filled]):
        site = [] if args[0] == "verify" else ["--site", filled]
        cli(*args, *site).refused(2, "99", "1")  # type: ignore[arg-type]
    check()


def test_a_file_without_a_mapping_is_listed_and_left(cli: CommandLine, filled: Path) -> None:
    _write(filled / "inbox" / "notes.docx", b"not a log")
    done = cli.ok("ingest", "--site", filled)
    assert "notes.docx" in done.err


def test_the_current_folder_is_the_default_site(cli: CommandLine, filled: Path) -> None:
    done = subprocess.run(
        cli.command("balance", "--json"), cwd=filled, env=cli.env, capture_output=True, text=True, timeout=60
    )
    assert json.loads(done.stdout)["events"] == 4


def test_a_reader_that_goes_away_is_no_error(cli: CommandLine, filled: Path) -> None:
    command = cli.command("query", "select * from range(200000)", "--site", filled)
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=cli.folder, env=cli.env
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.readline()
    process.stdout.close()
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait(timeout=60) == 0


def test_interrupted_by_the_user_is_130(cli: CommandLine, filled: Path, unchanged: Any) -> None:
    check = unchanged(filled / "store")
    sql = "select sum(hash(a.range)) as n from range(1000000000000) a"
    process = subprocess.Popen(
        cli.command("query", sql, "--site", filled),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=cli.folder, env=cli.env, text=True,
    )  # fmt: skip
    spill = filled / "store" / "spill"
    deadline = time.monotonic() + 60
    try:
        while not list(spill.glob("query-*")) and process.poll() is None and time.monotonic() < deadline:
            time.sleep(0.05)
        time.sleep(0.5)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 130
    assert "Traceback" not in err
    assert "interrupted" in err
    check()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_site_that_cannot_be_written(cli: CommandLine, site: Path) -> None:
    _write(site / "inbox" / "october.csv", TWO_INFUSIONS)
    site.chmod(0o500)
    try:
        cli("ingest", "--site", site).refused(2)
    finally:
        site.chmod(0o700)
