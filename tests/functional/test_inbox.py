"""What lies in an inbox besides plain files, and sites that cannot be ingested: told, and nothing written."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from tests.functional.conftest import HEADER, TWO_INFUSIONS, CommandLine, infusion

MORE = HEADER + infusion("P-2", "2026-10-05T08:00:00", "2026-10-05T08:30:00", 1)


def _mapping(site: Path, pattern: str) -> None:
    path = site / "sources" / "plain.toml"
    text = path.read_text(encoding="utf-8").replace('["*.csv"]', f'["{pattern}"]')
    path.write_text(text, encoding="utf-8")


def test_a_linked_export_is_claimed_by_the_name_it_has_in_the_inbox(cli: CommandLine, site: Path) -> None:
    _mapping(site, "wards/*.csv")
    target = cli.folder / "export 7.dat"
    target.write_text(TWO_INFUSIONS, encoding="utf-8")
    (site / "inbox" / "wards").mkdir()
    (site / "inbox" / "wards" / "october.csv").symlink_to(target)
    done = cli.ok("ingest", "--site", site, "--json")
    assert [file["path"] for file in done.json["files"]] == ["wards/october.csv"]
    assert done.json["events"] == 4


def test_a_linked_site_folder_is_the_same_site(cli: CommandLine, site: Path) -> None:
    _mapping(site, "wards/*.csv")
    (site / "inbox" / "wards").mkdir()
    export = site / "inbox" / "wards" / "october.csv"
    export.write_text(TWO_INFUSIONS, encoding="utf-8")
    (cli.folder / "linked").symlink_to(site)
    done = cli.ok("ingest", export, "--site", cli.folder / "linked", "--json")
    assert [file["path"] for file in done.json["files"]] == ["wards/october.csv"]


def test_what_is_no_regular_file_is_listed(cli: CommandLine, filled: Path) -> None:
    inbox = filled / "inbox"
    (inbox / "gone.csv").symlink_to(cli.folder / "nowhere")
    os.mkfifo(inbox / "pipe.csv")
    (inbox / "folder.csv").mkdir()
    (inbox / "plain folder").mkdir()
    (inbox / "other").symlink_to(cli.folder)
    done = cli.ok("ingest", "--site", filled)
    for told in ("gone.csv: a broken link", "pipe.csv: no regular file", "folder.csv: a folder",
                 "other: a linked folder"):  # fmt: skip
        assert told in done.err
    assert "plain folder" not in done.err


def test_a_device_is_no_file_to_read(cli: CommandLine, filled: Path, unchanged: Any) -> None:
    check = unchanged(filled)
    cli("ingest", "/dev/null", "--site", filled).refused(3, "/dev/null", "no regular file")
    check()


def test_files_and_not_a_single_mapping(cli: CommandLine, site: Path) -> None:
    cli.ok("ingest", "--site", site)
    (site / "sources" / "plain.toml").unlink()
    cli.ok("ingest", "--site", site)
    (site / "inbox" / "october.csv").write_text(TWO_INFUSIONS, encoding="utf-8")
    cli("ingest", "--site", site).refused(2, "there is no mapping", "sources")


def test_another_facility_is_refused(cli: CommandLine, filled: Path, unchanged: Any) -> None:
    path = filled / "site.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("harbour-hospital", "hill-hospital"), encoding="utf-8"
    )
    (filled / "inbox" / "more.csv").write_text(MORE, encoding="utf-8")
    check = unchanged(filled)
    for args in (["ingest"], ["quarantine", "--retry"]):
        cli(*args, "--site", filled).refused(2, "'hill-hospital'", "'harbour-hospital'", "site.toml")
    check()


def test_a_store_that_lost_its_format_number_is_not_taken_for_none(cli: CommandLine, filled: Path) -> None:
    (filled / "store" / "format.json").unlink()
    cli("ingest", "--site", filled).refused(2, "no format.json", "backup")


def test_one_is_not_told_in_the_plural(cli: CommandLine, site: Path) -> None:
    path = site / "sources" / "plain.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + '[kinds]\n"BEAT" = { ignore = "sign of life" }\n', encoding="utf-8")
    (site / "inbox" / "beat.csv").write_text(
        HEADER + "P-1,A,2026-10-01T08:00:00,1,BEAT,,,,\n", encoding="utf-8"
    )
    done = cli.ok("ingest", "--site", site)
    assert "1 record read = 0 kept" in done.err
    assert "1 record carries no event: sign of life." in done.err
    assert "0 records wait." in cli.ok("quarantine", "--site", site).err


def test_originals_are_verified_with_the_site(cli: CommandLine, filled: Path) -> None:
    assert "every original unpacks" in cli.ok("verify", filled).err
    assert "Originals were not read" in cli.ok("verify", filled / "store").err
    [original] = (filled / "originals").glob("*.zst")
    original.unlink()
    done = cli("verify", filled, "--format", "csv")
    done.refused(5, "1 thing is")
    assert "the original of october.csv is missing" in done.out


def test_a_report_that_cannot_be_written_names_its_folder(cli: CommandLine, filled: Path) -> None:
    done = cli("report", "--month", "2026-10", "--out", "/proc/october", "--site", filled)
    done.refused(2, "/proc/october: the report cannot be written here", "--out")
    assert "-new-" not in done.err


def test_a_long_answer_is_streamed_or_refused(cli: CommandLine, filled: Path) -> None:
    sql = "select range as n, kind from range(50000), events"
    cli("query", sql, "--json", "--site", filled).refused(2, "longer than 100000 rows", "--format csv")
    lines = cli.ok("query", sql, "--format", "csv", "--site", filled).out.splitlines()
    assert lines[0] == "n,kind"
    assert len(lines) == 200_001
