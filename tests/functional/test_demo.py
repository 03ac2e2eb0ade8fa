"""`demo`: from nothing to a report, in a new folder, and never over somebody's files."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from dripledger.hospital import generate
from tests.functional.conftest import CommandLine, tree_digest

SMALL = ("--pumps", "8", "--months", "3", "--seed", "5")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[CommandLine, Path]:
    folder = tmp_path_factory.mktemp("a demo")
    cli = CommandLine(folder, folder)
    done = cli.ok("demo", "invented hospital", *SMALL)
    root = folder / "invented hospital"
    assert Path(done.out.strip()) == Path("invented hospital/reports/2026-10")
    assert "balanced" in done.err
    assert "NOT BALANCED" not in done.err
    return cli, root


@pytest.mark.slow
@pytest.mark.merge
def test_everything_is_there(made: tuple[CommandLine, Path]) -> None:
    cli, root = made
    for name in ("site.toml", "sources", "libraries", "inbox", "originals", "store", "truth", "pumps.csv"):
        assert (root / name).exists(), name
    assert (root / "reports" / "2026-10" / "index.html").is_file()
    cli.ok("verify", root)
    status = cli.ok("status", "--site", root, "--json").json
    assert status["pumps_never_heard"], "a pump in service never sends a log"
    assert status["unmapped"]["kind"], "some labels nobody has filed"
    rows = cli.ok("measures", "--site", root, "--month", "2026-10", "--by", "month,care_area", "--json").json
    assert list(rows[0])[:3] == ["measure", "month", "care_area"]
    assert {"ok", "small"} & {row["status"] for row in rows}


@pytest.mark.slow
@pytest.mark.merge
def test_reading_it_again_adds_nothing(made: tuple[CommandLine, Path]) -> None:
    cli, root = made
    before = tree_digest(root / "store")
    document = cli.ok("ingest", "--site", root, "--json").json
    assert (document["events"], document["rows_read"]) == (0, 0)
    assert tree_digest(root / "store") == before


@pytest.mark.slow
@pytest.mark.merge
def test_the_same_seed_makes_the_same_logs(made: tuple[CommandLine, Path]) -> None:
    cli, root = made
    generate(cli.folder / "again", pumps=8, months=3, seed=5)
    for part in ("inbox", "truth", "libraries", "sources"):
        assert tree_digest(cli.folder / "again" / part) == tree_digest(root / part), part


@pytest.mark.slow
@pytest.mark.merge
def test_a_demo_that_cannot_be_made_leaves_the_earlier_one(made: tuple[CommandLine, Path]) -> None:
    cli, root = made
    cli("demo", root, "--pumps", "1").refused(2, "no number from 8 to 2000")
    assert (root / "store").is_dir(), "refused before the earlier demo is taken away"


@pytest.mark.slow
@pytest.mark.merge
def test_a_demo_can_be_made_again_in_its_place(made: tuple[CommandLine, Path]) -> None:
    cli, root = made
    shutil.copytree(root, cli.folder / "twice")
    mine = cli.folder / "twice" / "my notes.txt"
    mine.write_text("mine", encoding="utf-8")
    cli.ok("demo", "twice", *SMALL)
    assert mine.read_text(encoding="utf-8") == "mine"


def test_a_folder_that_is_no_demo_is_left_alone(cli: CommandLine, filled: Path) -> None:
    before = tree_digest(filled)
    cli("demo", filled, *SMALL).refused(2, "not empty and no demo")
    assert tree_digest(filled) == before
    (cli.folder / "file").write_text("x", encoding="utf-8")
    cli("demo", "file", *SMALL).refused(2, "is a file")
