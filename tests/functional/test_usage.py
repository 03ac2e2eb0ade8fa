"""Commands, options, messages and exit codes that need no store."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.functional.conftest import CommandLine

HEAVY = ("duckdb", "pyarrow", "deltalake", "pydantic", "numpy", "zstandard", "filelock", "jinja2")


def test_bare_command_shows_help_and_is_wrong_usage(cli: CommandLine) -> None:
    done = cli()
    assert "commands:" in done.err
    assert done.out == ""
    done.refused(2, "no command")


def test_help_goes_to_stdout(cli: CommandLine) -> None:
    done = cli.ok("--help")
    assert "exit codes:" in done.out
    assert done.err == ""


def test_help_waits_for_nothing_heavy(cli: CommandLine) -> None:
    code = (
        "import sys\n"
        "from dripledger.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


def test_version(cli: CommandLine) -> None:
    assert cli.ok("--version").out.startswith("dripledger 0.")


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["ingset"], ["'ingset' is not a command", "'ingest'"]),
        (["ingest", "--wiat", "3"], ["no option '--wiat'", "'--wait'"]),
        (["ingest", "--wait", "soon"], ["--wait", "'soon'", "number of seconds"]),
        (["ingest", "--wait", "-1"], ["--wait"]),
        (["balance", "--format", "xml"], ["'xml' is not a value of --format", "parquet"]),
        (["balance", "--json", "--format", "csv"], ["not allowed with"]),
        (["balance", "extra"], ["does not take 'extra'"]),
        (["report"], ["this is missing", "--month"]),
        (["query"], ["this is missing", "SELECT"]),
        (["demo", "d", "--pumps", "0"], ["--pumps", "'0'"]),
        (["ingest", "--sit", "x"], ["no option '--sit'", "'--site'"]),
    ],
)
def test_wrong_usage_is_told_in_one_message(cli: CommandLine, args: list[str], words: list[str]) -> None:
    cli(*args).refused(2, *words)


@pytest.mark.parametrize(
    "args",
    [
        ["ingest"], ["balance"], ["quarantine"], ["measures"], ["report", "--month", "last"], ["status"],
        ["query", "select 1"], ["upgrade"],
    ],
)  # fmt: skip
def test_no_site_folder(cli: CommandLine, args: list[str]) -> None:
    cli(*args).refused(2, "not a site folder", "dripledger init")
    assert list(cli.folder.iterdir()) == []


@pytest.mark.parametrize(
    "args",
    [
        ["balance"], ["quarantine"], ["measures"], ["report", "--month", "2026-10"], ["status"],
        ["query", "select 1"], ["upgrade"],
    ],
)  # fmt: skip
def test_no_store_yet(cli: CommandLine, site: Path, args: list[str]) -> None:
    cli(*args, "--site", site).refused(2, "no store", "dripledger ingest")
    assert not (site / "store").exists()


def test_site_stands_before_or_after_the_verb(cli: CommandLine, site: Path) -> None:
    cli("--site", site, "balance").refused(2, "no store")
    cli("balance", "--site", site).refused(2, "no store")


def test_debug_adds_a_traceback(cli: CommandLine) -> None:
    done = cli("balance", "--debug")
    assert done.code == 2
    assert "Traceback" in done.err
    assert done.err.rstrip().splitlines()[-1].startswith("dripledger: ")


@pytest.mark.parametrize("month", ["2026-13", "October", "2026-1", "26-10", "next"])
def test_wrong_month(cli: CommandLine, filled: Path, month: str) -> None:
    cli("measures", "--site", filled, "--month", month).refused(2, repr(month), "2026-10")


def test_months_the_wrong_way_round(cli: CommandLine, filled: Path) -> None:
    done = cli("measures", "--site", filled, "--from", "2026-10", "--to", "2026-09")
    done.refused(2, "2026-09", "before")


def test_month_and_range_exclude_each_other(cli: CommandLine, filled: Path) -> None:
    cli("measures", "--site", filled, "--month", "2026-10", "--to", "2026-10").refused(2, "--month", "--from")


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--pumps", "7", "no number from 8 to 2000"),
        ("--pumps", "2001", "no number from 8 to 2000"),
        ("--months", "1", "no number from 2 to 60"),
        ("--months", "61", "no number from 2 to 60"),
        ("--months", "many", "'many' is no number from 2 to 60"),
    ],
)
def test_a_demo_that_is_too_small_or_too_large(cli: CommandLine, option: str, value: str, words: str) -> None:
    cli("demo", "d", option, value).refused(2, option, words)
    assert not (cli.folder / "d").exists()
