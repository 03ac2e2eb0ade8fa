"""`ingest`, `balance` and what they leave in the store."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.functional.conftest import HEADER, TWO_INFUSIONS, CommandLine, infusion
from tests.marks import LONG

#: The JSON of interface: name -> type.
DOCUMENT = {
    "ingest_id": (str, type(None)), "store_version": int, "balanced": bool, "rows_read": int,
    "events_kept": int,
    "duplicates": int, "quarantined": int, "rows_ignored": int, "events": int, "rederived": int,
    "files": list,
}  # fmt: skip
FILE = {
    "path": str, "sha256": str, "source": str, "already_read": bool, "rows_read": int, "events_kept": int,
    "duplicates": int, "quarantined": int, "rows_ignored": int, "events": int,
}  # fmt: skip
ACCOUNTED = ("events_kept", "duplicates", "quarantined", "rows_ignored")


def _check_document(document: dict[str, object]) -> None:
    assert set(document) >= set(DOCUMENT)
    for name, kind in DOCUMENT.items():
        assert isinstance(document[name], kind), name
    files = document["files"]
    assert isinstance(files, list)
    for file in files:
        assert set(file) >= set(FILE)
        for name, kind in FILE.items():
            assert isinstance(file[name], kind), name
        assert file["rows_read"] == sum(file[name] for name in ACCOUNTED)
    assert document["rows_read"] == sum(int(document[name]) for name in ACCOUNTED)  # type: ignore[call-overload]


def test_ingest_then_balance(cli: CommandLine, site: Path) -> None:
    (site / "inbox" / "october.csv").write_text(TWO_INFUSIONS, encoding="utf-8")
    document = cli.ok("ingest", "--site", site, "--json").json
    _check_document(document)
    assert document["store_version"] == 1
    assert document["balanced"] is True
    assert [document[n] for n in ("rows_read", "events_kept", "events", "duplicates")] == [4, 4, 4, 0]
    assert document["files"][0]["source"] == "plain"
    assert document["files"][0]["path"].endswith("october.csv")

    whole = cli.ok("balance", "--site", site, "--json").json
    _check_document(whole)
    assert [whole[n] for n in ("rows_read", "events_kept", "events")] == [4, 4, 4]


def test_ingest_twice_is_once(cli: CommandLine, filled: Path) -> None:
    def tables() -> list[str]:
        return [
            cli.ok("query", "--site", filled, f"select * from {name} order by all").out
            for name in ("events", "segments", "infusions")
        ]

    before = tables()
    document = cli.ok("ingest", "--site", filled, "--json").json
    _check_document(document)
    assert document["events"] == 0
    assert all(file["already_read"] for file in document["files"])
    assert tables() == before
    assert cli.ok("balance", "--site", filled, "--json").json["events"] == 4


def test_same_records_in_another_file_are_duplicates(cli: CommandLine, filled: Path) -> None:
    more = infusion("P-1", "2026-10-03T08:00:00", "2026-10-03T08:30:00", 5)
    (filled / "inbox" / "again.csv").write_text(TWO_INFUSIONS + more, encoding="utf-8")
    document = cli.ok("ingest", "--site", filled, "--json").json
    _check_document(document)
    assert [document[n] for n in ("rows_read", "duplicates", "events_kept")] == [6, 4, 2]


def test_form_follows_the_place(cli: CommandLine, filled: Path) -> None:
    lines = cli.ok("balance", "--site", filled).out.splitlines()
    assert lines[0].startswith("path,source,sha256")
    assert len(lines) == 2
    drawn = cli.ok("balance", "--site", filled, "--format", "table").out
    assert "in total" in drawn
    assert "\x1b" not in drawn


def test_parquet_can_be_read(cli: CommandLine, filled: Path, tmp_path: Path) -> None:
    import subprocess

    import pyarrow.parquet as pq

    target = tmp_path / "events.parquet"
    with target.open("wb") as file:
        subprocess.run(
            cli.command("query", "select * from events", "--site", filled, "--format", "parquet"),
            stdout=file, check=True, cwd=cli.folder, env=cli.env,
        )  # fmt: skip
    assert pq.read_table(target).num_rows == 4


def test_paths_and_source_can_be_named(cli: CommandLine, site: Path) -> None:
    elsewhere = cli.folder / "an export.txt"
    elsewhere.write_text(TWO_INFUSIONS, encoding="utf-8")
    document = cli.ok("ingest", elsewhere, "--source", "plain", "--site", site, "--json").json
    assert document["events"] == 4


def test_unknown_source(cli: CommandLine, site: Path) -> None:
    (site / "inbox" / "october.csv").write_text(TWO_INFUSIONS, encoding="utf-8")
    cli("ingest", "--source", "plane", "--site", site).refused(2, "plane", "plain")


def test_no_build_leaves_infusions_for_later(cli: CommandLine, site: Path) -> None:
    (site / "inbox" / "october.csv").write_text(TWO_INFUSIONS, encoding="utf-8")
    cli.ok("ingest", "--no-build", "--site", site)
    count = ("query", "select count(*) as n from infusions", "--site", site, "--json")
    assert cli.ok(*count).json == [{"n": 0}]
    (site / "inbox" / "later.csv").write_text(
        HEADER + infusion("P-2", "2026-10-05T08:00:00", "2026-10-05T08:30:00", 1), encoding="utf-8"
    )
    cli.ok("ingest", "--site", site)
    assert cli.ok(*count).json == [{"n": 3}]


def test_too_much_in_quarantine_is_4(cli: CommandLine, site: Path) -> None:
    bad = "P-1,A,not a time,9,infusion_started,ICU,morphine,limited,ten\n"
    (site / "inbox" / "october.csv").write_text(TWO_INFUSIONS + bad, encoding="utf-8")
    done = cli("ingest", "--site", site, "--json")
    assert done.code == 4
    assert done.json["quarantined"] == 1
    assert "quarantine_share_max" in done.err
    waiting = cli.ok("quarantine", "--site", site, "--json").json
    assert len(waiting) == 1
    assert waiting[0]["source_record"] == 5
    assert len(waiting[0]["reasons"]) == 2, "both the time and the rate are unreadable"
    reason = waiting[0]["reasons"][0]
    assert len(cli.ok("quarantine", "--site", site, "--reason", reason, "--json").json) == 1
    # as a report writes it
    in_words = reason.replace("_", " ").capitalize()
    assert len(cli.ok("quarantine", "--site", site, "--reason", in_words, "--json").json) == 1
    assert len(cli.ok("quarantine", "--site", site, "--reason", f"{in_words} (1 204).", "--json").json) == 1
    cli("quarantine", "--site", site, "--reason", "no_such_reason").refused(2, "no_such_reason", reason)


def test_allowed_share_is_a_setting(cli: CommandLine, site: Path) -> None:
    with (site / "site.toml").open("a", encoding="utf-8") as file:
        file.write("[thresholds]\nquarantine_share_max = 0.5\n")
    bad = "P-1,A,not a time,9,infusion_started,ICU,morphine,limited,10\n"
    (site / "inbox" / "october.csv").write_text(TWO_INFUSIONS + bad, encoding="utf-8")
    assert cli.ok("ingest", "--site", site, "--json").json["quarantined"] == 1


def test_retry_reads_by_todays_mapping(cli: CommandLine, site: Path) -> None:
    mapping = site / "sources" / "plain.toml"
    good = mapping.read_text(encoding="utf-8")
    mapping.write_text(good.replace('format = "iso"', 'format = "%d.%m.%Y %H:%M"'), encoding="utf-8")
    (site / "inbox" / "october.csv").write_text(TWO_INFUSIONS, encoding="utf-8")
    assert cli("ingest", "--site", site).code == 4
    mapping.write_text(good, encoding="utf-8")
    document = cli.ok("quarantine", "--retry", "--site", site, "--json").json
    assert document["events"] == 4
    assert cli.ok("quarantine", "--site", site, "--json").json == []
    whole = cli.ok("balance", "--site", site, "--json").json
    assert whole["balanced"] is True
    assert whole["quarantined"] == 0


def test_as_of_reads_the_store_as_it_was(cli: CommandLine, filled: Path) -> None:
    (filled / "inbox" / "later.csv").write_text(
        HEADER + infusion("P-2", "2026-10-05T08:00:00", "2026-10-05T08:30:00", 1), encoding="utf-8"
    )
    cli.ok("ingest", "--site", filled)
    count = ("query", "select count(*) as n from events", "--site", filled, "--json")
    assert cli.ok(*count).json == [{"n": 6}]
    assert cli.ok(*count, "--as-of", "1").json == [{"n": 4}]
    assert cli.ok("balance", "--site", filled, "--as-of", "1", "--json").json["rows_read"] == 4
    assert cli.ok("status", "--site", filled, "--as-of", "1", "--json").json["version"] == 1
    cli(*count, "--as-of", "7").refused(2, "version 7")
    cli(*count, "--as-of", "1999-01-01").refused(2, "1999-01-01")
    cli(*count, "--as-of", "yesterday").refused(2, "yesterday")


def test_measures_report_and_status_of_a_tiny_site(cli: CommandLine, filled: Path) -> None:
    rows = cli.ok("measures", "--site", filled, "--month", "2026-10", "--json").json
    starts = [r for r in rows if r["measure"] == "library_use_starts" and r["care_area"] == "ICU"]
    assert [(r["numerator"], r["denominator"], r["status"]) for r in starts] == [(1, 2, "small")]
    assert starts[0]["value"] is None
    coverage = [r for r in rows if r["measure"] == "fleet_coverage"]
    assert {r["status"] for r in coverage} == {"not_measurable"}

    out = cli.ok("report", "--site", filled, "--month", "2026-10").out.strip()
    page = next(path for path in (Path(out), Path(out) / "index.html") if path.is_file())
    assert page.is_relative_to(filled / "reports" / "2026-10")
    text = page.read_text(encoding="utf-8")
    assert "not for decisions at the bedside" in text.lower()
    assert '<script src="http' not in text

    document = cli.ok("status", "--site", filled, "--json").json
    assert document["facility"] == "harbour-hospital"
    assert document["rows"]["infusions"] == 2
    assert "harbour-hospital" in cli.ok("status", "--site", filled, "--format", "table").out


# a report as written by its function is the same bytes elsewhere: unit/test_reports_folder.py
@pytest.mark.slow
@pytest.mark.merge
def test_report_can_go_elsewhere_and_is_the_same_bytes(cli: CommandLine, filled: Path) -> None:
    from tests.functional.conftest import tree_digest

    for name in ("one", "two"):
        cli.ok("report", "--site", filled, "--month", "2026-10", "--out", cli.folder / name)
    assert (cli.folder / "one").is_dir()
    assert tree_digest(cli.folder / "one") == tree_digest(cli.folder / "two")


def test_query_answers_and_knows_measures(cli: CommandLine, filled: Path) -> None:
    sql = "select kind, count(*) as n from events group by kind order by kind"
    assert cli.ok("query", sql, "--site", filled).out == "kind,n\ninfusion_started,2\ninfusion_stopped,2\n"
    sql = "select distinct status from Measures where measure = 'library_use_starts' and care_area = 'ICU'"
    assert cli.ok("query", sql, "--site", filled, "--json").json == [{"status": "small"}]
    assert cli.ok("query", "select 1 as a, 2 as a", "--site", filled).out == "a,a_2\n1,2\n"


@pytest.mark.parametrize(
    ("sql", "words"),
    [
        ("select 1; select 2", ["2 statements", "one SELECT"]),
        ("select * from read_csv('/etc/passwd')", ["read_csv"]),
        ("select * from evnts", ["no table", "events"]),
        # what each of these is refused for: unit/test_store_query.py
        *(
            pytest.param(sql, words, marks=LONG)
            for sql, words in (
                ("drop table events", ["one SELECT"]),
                ("copy events to 'x.csv'", ["one SELECT"]),
                ("set memory_limit = '1GB'", ["one SELECT"]),
                ("select * from '/etc/passwd'", ["no table"]),
                ("selct 1", ["selct"]),
                ("", ["empty"]),
            )
        ),
    ],
)
def test_query_is_closed(cli: CommandLine, filled: Path, sql: str, words: list[str]) -> None:
    cli("query", sql, "--site", filled).refused(2, *words)


def test_verify_says_sound_and_finds_a_changed_file(cli: CommandLine, filled: Path) -> None:
    assert "sound" in cli.ok("verify", filled).err
    without = cli.ok("verify", "--site", filled)
    assert "every original unpacks to what was read" in without.err
    cli.ok("verify", filled / "store")
    victim = next((filled / "store" / "events").rglob("*.parquet"))
    victim.chmod(0o600)
    content = bytearray(victim.read_bytes())
    content[len(content) // 2] ^= 1
    victim.write_bytes(content)
    done = cli("verify", filled)
    done.refused(5, "not as written down")
    assert victim.name in done.out
    cli("verify", filled / "nowhere").refused(2, "no such")
    cli("verify", "--site", filled).refused(5, "not as written down")
    cli("verify", "--site", filled, "--original", victim).refused(2, "--original goes with a packet")
    cli("verify").refused(2, "this is not a site folder")


def test_upgrade_answers(cli: CommandLine, filled: Path) -> None:
    assert "nothing to do" in cli.ok("upgrade", "--site", filled).err


def test_the_site_can_move(cli: CommandLine, filled: Path) -> None:
    moved = cli.folder / "moved here"
    shutil.move(filled, moved)
    cli.ok("verify", moved)
    assert cli.ok("balance", "--site", moved, "--json").json["events"] == 4
