"""`init`: a new site folder that can be edited at once, and a key that stays outside it."""

from __future__ import annotations

import csv
import stat
from pathlib import Path

from dripledger.site import load_site, read_list
from tests.functional.conftest import CommandLine, tree_digest


def test_new_site_loads_and_explains_itself(cli: CommandLine) -> None:
    done = cli.ok("init", "St. Anna 2")
    assert done.out == ""
    root = cli.folder / "St. Anna 2"
    site = load_site(root)
    assert site.settings.facility == "st-anna-2"
    assert site.pumps is None
    assert site.entries is None
    assert "time_zone" in done.err
    assert (root / "inbox").is_dir()
    assert list((root / "sources").glob("*.toml")) == [], "the example must not be active"
    assert list((root / "libraries").glob("*.csv")) == []


def test_key_is_outside_the_site_and_owner_only(cli: CommandLine) -> None:
    cli.ok("init", "ward")
    key = Path(cli.env["HOME"]) / ".config" / "dripledger" / "ward.key"
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert len(bytes.fromhex(key.read_text(encoding="ascii").strip())) == 32
    site = load_site(cli.folder / "ward")
    assert site.settings.people.key_file == str(key)


def test_key_folder_can_be_named(cli: CommandLine, tmp_path: Path) -> None:
    done = cli("init", "ward", env={"DRIPLEDGER_KEY_DIR": str(tmp_path / "safe")})
    assert done.code == 0
    assert (tmp_path / "safe" / "ward.key").is_file()
    assert not (Path(cli.env["HOME"]) / ".config").exists()


def test_key_inside_the_site_is_refused(cli: CommandLine) -> None:
    inside = cli.folder / "ward" / "keys"
    done = cli("init", "ward", env={"DRIPLEDGER_KEY_DIR": str(inside)})
    done.refused(2, "must not lie inside", "DRIPLEDGER_KEY_DIR")
    assert not (cli.folder / "ward").exists()


def test_nothing_is_overwritten(cli: CommandLine) -> None:
    cli.ok("init", "ward")
    before = tree_digest(cli.folder), tree_digest(Path(cli.env["HOME"]))
    cli("init", "ward").refused(2, "site.toml already")
    assert (tree_digest(cli.folder), tree_digest(Path(cli.env["HOME"]))) == before


def test_files_that_stand_there_already_stay(cli: CommandLine) -> None:
    root = cli.folder / "ward"
    root.mkdir()
    (root / "README.txt").write_text("mine", encoding="utf-8")
    cli.ok("init", "ward")
    assert (root / "README.txt").read_text(encoding="utf-8") == "mine"


def test_an_existing_key_is_kept(cli: CommandLine) -> None:
    cli.ok("init", "one/ward")
    key = Path(cli.env["HOME"]) / ".config" / "dripledger" / "ward.key"
    before = key.read_bytes()
    done = cli.ok("init", "two/ward")
    assert key.read_bytes() == before
    assert "was there already" in done.err


def test_a_file_in_the_way(cli: CommandLine) -> None:
    (cli.folder / "ward").write_text("x", encoding="utf-8")
    cli("init", "ward").refused(2, "is a file")


def test_example_lists_are_right_once_renamed(cli: CommandLine) -> None:
    cli.ok("init", "ward")
    root = cli.folder / "ward"
    for example in root.glob("*.csv.example"):
        example.rename(example.with_suffix(""))
    site = load_site(root)
    assert [row.pump for row in site.pumps or ()] == ["P-001"]
    assert site.clocks[0].offset_s == 2820
    assert site.service[0].context == "maintenance"
    assert site.changes[0].what == "drug library release 7"
    assert (site.entries or ())[0].aliases == ("MORPHINE", "Morphine 1 mg/mL")


def test_example_library_has_the_columns_of_a_library(cli: CommandLine) -> None:
    from dripledger.library import load_libraries

    cli.ok("init", "ward")
    root = cli.folder / "ward"
    example = root / "libraries" / "library.csv.example"
    example.rename(example.with_suffix(""))
    assert load_libraries(load_site(root)).num_rows == 1


def test_example_source_reads_the_lines_that_it_shows(cli: CommandLine) -> None:
    cli.ok("init", "ward")
    root = cli.folder / "ward"
    example = root / "sources" / "example.toml.txt"
    text = example.read_text(encoding="utf-8")
    shown = [line.removeprefix("#   ") for line in text.splitlines() if line.startswith("#   ")]
    assert len(list(csv.reader(shown))) == 2
    example.rename(example.with_suffix(""))
    (root / "inbox" / "wards").mkdir()
    (root / "inbox" / "wards" / "october.csv").write_text("\n".join(shown) + "\n", encoding="utf-8")
    document = cli.ok("ingest", "--site", root, "--json").json
    assert (document["rows_read"], document["events_kept"], document["events"]) == (1, 1, 1)
    stored = [path for path in (root / "store").rglob("*.parquet") if path.is_file()]
    assert stored
    assert not any(b"88004711" in path.read_bytes() for path in stored), (
        "a patient's number reached the store"
    )
    keys = cli.ok("query", "select patient_key from events", "--site", root, "--json").json
    assert [len(row["patient_key"]) for row in keys] == [64]


def test_lists_are_read_by_the_documented_columns(cli: CommandLine) -> None:
    cli.ok("init", "ward")
    path = cli.folder / "ward" / "clocks.csv.example"
    assert len(list(read_list(path, ("pump", "from", "offset_s")))) == 1
