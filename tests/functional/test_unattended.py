"""Runs from a scheduler: silent when all is well, one line when not; the log, the summary."""

from __future__ import annotations

import json
import re
import stat
import subprocess
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dripledger.commands import unattended
from dripledger.commands.unattended import LOGS_KEPT, Watch
from tests.functional.conftest import HEADER, TWO_INFUSIONS, CommandLine, infusion

LINE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ (\d{8}T\d{6}Z-\d+) (\w+) (.+)")


def log_lines(path: Path) -> list[tuple[str, str, str]]:
    found = []
    for line in path.read_text(encoding="utf-8").splitlines():
        match = LINE.fullmatch(line)
        assert match, line
        found.append((match[1], match[2], match[3]))
    return found


@pytest.mark.slow
@pytest.mark.merge
def test_a_night_in_which_all_is_well(cli: CommandLine, site: Path) -> None:
    # `last` is the month before the commit's, which is now
    month = datetime.now(ZoneInfo("Europe/Lisbon")).replace(day=1) - timedelta(days=1)
    log_text = TWO_INFUSIONS.replace("2026-10", f"{month:%Y-%m}")
    (site / "inbox" / "last month.csv").write_text(log_text, encoding="utf-8")
    log, summary = cli.folder / "run log.txt", cli.folder / "last run.json"
    program = " ".join(f"'{part}'" for part in cli.command())
    rest = f"--site '{site}' --quiet --log '{log}'"
    done = subprocess.run(
        f"{program} ingest {rest} --summary '{summary}' && {program} report --month last {rest}",
        shell=True, capture_output=True, text=True, env=cli.env, cwd=cli.folder, timeout=120,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert len(list((site / "reports").iterdir())) == 1
    told = json.loads(summary.read_text(encoding="utf-8"))
    assert (told["ok"], told["exit_code"], told["message"], told["error"]) == (True, 0, None, None)
    assert (told["command"], told["rows_read"], told["events"], told["store_version"]) == ("ingest", 4, 4, 1)
    assert (told["files_read"], told["files_unreadable"], told["files_unclaimed"]) == (1, 0, 0)
    lines = log_lines(log)
    assert [verb for _, verb, _ in lines] == ["ingest", "ingest", "report", "report"]
    assert len({run for run, _, _ in lines}) == 2
    assert told["run_id"] == lines[0][0]
    assert lines[1][2].startswith("ended with 0 after ")
    assert stat.S_IMODE(log.stat().st_mode) == 0o600


def test_a_result_that_is_asked_for_is_printed_all_the_same(cli: CommandLine, filled: Path) -> None:
    done = cli.ok("ingest", "--site", filled, "--quiet", "--json")
    assert done.json["events"] == 0
    assert done.err == ""
    assert cli.ok("verify", filled, "--quiet").out == ""


def test_one_line_for_inputs_that_cannot_be_read(cli: CommandLine, site: Path) -> None:
    for name in ("a", "b"):
        (site / "inbox" / f"{name}.csv").write_bytes(b"\x00\x00pump_id,P-SECRET\n")
    (site / "inbox" / "good.csv").write_text(TWO_INFUSIONS, encoding="utf-8")
    log, summary = site / "log", site / "summary"
    done = cli("ingest", "--site", site, "--quiet", "--log", log, "--summary", summary)
    done.refused(3, "a.csv", "And 1 more.")
    assert (done.out, done.err.count("\n")) == ("", 1)
    told = json.loads(summary.read_text(encoding="utf-8"))
    assert (told["ok"], told["exit_code"], told["files_unreadable"], told["events"]) == (False, 3, 2, 4)
    assert f"dripledger: {told['message']}\n" == done.err
    texts = [text for _, _, text in log_lines(log)]
    assert [text.partition(": ")[0] for text in texts[1:3]] == ["cannot be read"] * 2
    assert "SECRET" not in log.read_text(encoding="utf-8")
    assert texts[-1].startswith("ended with 3 ")


def test_one_line_where_too_much_waits(cli: CommandLine, site: Path) -> None:
    bad = HEADER + "P-SECRET,A,no time,1,infusion_started,ICU,morphine,limited,10\n"
    (site / "inbox" / "october.csv").write_text(bad, encoding="utf-8")
    done = cli("ingest", "--site", site, "--quiet", "--log", site / "log")
    done.refused(4, "1 of 1 records", "quarantine")
    assert done.err.count("\n") == 1
    assert "SECRET" not in (site / "log").read_text(encoding="utf-8")
    # nothing is new on the second night, and nothing is said of what waits since the first
    assert cli.ok("ingest", "--site", site, "--quiet").err == ""


def test_one_line_for_an_error(cli: CommandLine, site: Path) -> None:
    (site / "site.toml").write_text("format = 1\n", encoding="utf-8")
    done = cli("ingest", "--site", site, "--quiet", "--log", site / "log", "--summary", site / "s.json")
    done.refused(2, "site.toml")
    assert done.err.count("\n") == 1
    told = json.loads((site / "s.json").read_text(encoding="utf-8"))
    assert (told["exit_code"], told["error"]) == (2, "ConfigurationError")
    assert "ConfigurationError" in log_lines(site / "log")[-1][2]


@pytest.mark.parametrize("option", ["--log", "--summary"])
def test_no_place_for_a_log(cli: CommandLine, site: Path, option: str) -> None:
    cli("ingest", "--site", site, option, cli.folder / "nowhere" / "file").refused(2, option, "folder")
    assert not (site / "store").exists()


def test_an_interrupt_is_written_down(tmp_path: Path) -> None:
    watch = Watch("ingest", log=tmp_path / "log", run_id="20260101T000000Z-1")
    assert watch.ended(130, told="interrupted") == 130
    assert watch.ended(0) == 0, "a run ends once"
    assert [text.partition(" after")[0] for _, _, text in log_lines(tmp_path / "log")] == ["ended with 130"]


def test_the_log_is_set_aside_when_it_is_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unattended, "LOG_BYTES", 300)
    for number in range(40):
        Watch("report", log=tmp_path / "log", run_id=f"20260101T000000Z-{number}").ended(0)
    names = sorted(path.name for path in tmp_path.iterdir() if path.suffix != ".lock")
    assert names == ["log", *(f"log.{n}" for n in range(1, LOGS_KEPT + 1))]
    assert all((tmp_path / name).stat().st_size <= 300 for name in names)
    runs = [
        int(run.partition("-")[2]) for name in reversed(names) for run, _, _ in log_lines(tmp_path / name)
    ]
    assert runs == list(range(40 - len(runs), 40)), "in order, without a gap, to the newest"


def test_a_line_of_the_log_stays_one_line(tmp_path: Path) -> None:
    watch = Watch("report", log=tmp_path / "log", run_id="20260101T000000Z-1")
    watch.noted = {"report": "a\nforged line"}
    watch.ended(0)
    assert len(log_lines(tmp_path / "log")) == 1


def test_more_of_the_same_pump(cli: CommandLine, filled: Path) -> None:
    more = HEADER + infusion("P-2", "2026-10-05T08:00:00", "2026-10-05T08:30:00", 1)
    (filled / "inbox" / "more.csv").write_text(more, encoding="utf-8")
    cli.ok("ingest", "--site", filled, "--quiet", "--summary", filled / "s.json")
    told = json.loads((filled / "s.json").read_text(encoding="utf-8"))
    assert (told["files_read"], told["files_known"], told["rows_read"]) == (1, 1, 2)
