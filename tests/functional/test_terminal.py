"""Pipes, terminals and Ctrl-C: no error into a closed pipe, a bar on a terminal, nothing half-written."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import re
import shlex
import signal
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from dripledger.commands.progress import Bar
from tests.functional.conftest import TWO_INFUSIONS, CommandLine, tree_digest
from tests.marks import LONG


@pytest.mark.parametrize(
    "args",
    [
        ["--help"], ["measures"], ["query", "select * from events, range(200)", "--format", "parquet"],
        *(
            pytest.param(args, marks=LONG)
            for args in (
                ["--version"], ["ingest", "--help"], ["status"], ["balance"], ["measures", "--json"],
                ["query", "select * from events, range(200)"],
            )
        ),
    ],
)  # fmt: skip
@pytest.mark.parametrize("reader", ["head -c 1", pytest.param("true", marks=LONG)])
def test_a_reader_that_goes_away_is_no_error(
    cli: CommandLine, filled: Path, args: list[str], reader: str
) -> None:
    line = shlex.join(cli.command("--site", filled, *args))
    script = f"{line} | {reader} > /dev/null; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, env=cli.env, timeout=120)
    assert (done.stdout, done.stderr) == ("0\n", "") or (
        done.stdout == "0\n" and not re.search(r"Broken|Traceback|Exception|dripledger:", done.stderr)
    )


def on_a_terminal(cli: CommandLine, *args: str | Path, columns: int = 100) -> tuple[int, str]:
    """Run with stderr on a terminal of its own."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    env = {**cli.env, "TERM": "xterm", "COLUMNS": str(columns)}
    process = subprocess.Popen(
        cli.command(*args), cwd=cli.folder, env=env, stdout=subprocess.DEVNULL, stderr=theirs
    )
    os.close(theirs)
    told = b""
    try:
        while chunk := os.read(ours, 65536):
            told += chunk
    except OSError:  # the other end is closed
        pass
    os.close(ours)
    return process.wait(timeout=60), told.decode("utf-8")


def test_a_bar_on_a_terminal_and_lines_elsewhere(cli: CommandLine, site: Path) -> None:
    (site / "inbox" / "october.csv").write_text(TWO_INFUSIONS, encoding="utf-8")
    code, told = on_a_terminal(cli, "ingest", "--site", site)
    assert code == 0
    bars = [part for part in told.split("\r") if part.startswith("[")]
    assert bars
    assert all(len(bar) < 100 for bar in bars)
    assert re.search(r"\[#*\.*\] +\d+%  \d+ records?, \d+ a second, about \d+ s left  ", told)
    # the line is empty again before anything else is said
    assert re.search(r"\r +\r(\r\n)*4 records read", told)
    (site / "inbox" / "more.csv").write_text(TWO_INFUSIONS.replace("P-1", "P-2"), encoding="utf-8")
    done = cli.ok("ingest", "--site", site)
    assert done.err.splitlines()[0] == "read more.csv: 4 records."
    assert "[" not in done.err


def test_quiet_on_a_terminal_is_quiet(cli: CommandLine, site: Path) -> None:
    (site / "inbox" / "october.csv").write_text(TWO_INFUSIONS, encoding="utf-8")
    assert on_a_terminal(cli, "ingest", "--site", site, "--quiet") == (0, "")


def test_the_bar_never_goes_back_and_never_ends_too_soon() -> None:
    bar = Bar(io.StringIO(), 100)
    steps = ["originals", "derive again", "stage a", "check a", "stage b", "check b", "compare",
             "write events", "build infusions", "commit"]  # fmt: skip
    bar("originals")
    bar.expect(1000, 2)
    shares = []
    bar.reading(500, 50)
    shares.append(bar.share(time.monotonic()))
    bar.took("a", 1000, 100)
    for step in steps[1:]:
        bar(step)
        shares += [bar.share(time.monotonic() + ahead) for ahead in (0, 1, 1e6)]
    assert shares == sorted(shares)
    assert 0 < shares[0] < 0.05
    assert shares[-1] < 1
    bar("end")
    assert bar.share(time.monotonic()) == pytest.approx(1)


def as_installed(cli: CommandLine, *args: object) -> list[str]:
    """A command without the tests' own warnings: a signal may leave an open file to the collector."""
    command = cli.command(*args)
    at = command.index("-W")
    return command[:at] + command[at + 2 :]


# long: six thousand pumps are being read when the signal comes
@pytest.mark.slow
def test_ctrl_c_in_an_ingest_leaves_the_store_as_it_was(cli: CommandLine, filled: Path) -> None:
    lines = TWO_INFUSIONS.splitlines(keepends=True)
    many = lines[0] + "".join(
        line.replace("P-1", f"P-{pump}") for pump in range(2, 6000) for line in lines[1:]
    )
    (filled / "inbox" / "many.csv").write_text(many, encoding="utf-8")
    before = tree_digest(filled / "store")
    process = subprocess.Popen(
        as_installed(cli, "ingest", "--site", filled, "--log", filled / "log"), cwd=cli.folder, env=cli.env,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    first = process.stderr.readline()
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert first == "read many.csv: 23992 records.\n"
    assert process.returncode == 130, err
    assert (out, "Traceback" in err, err.count("dripledger: ")) == ("", False, 1), err
    assert tree_digest(filled / "store") == before
    assert "ended with 130" in (filled / "log").read_text(encoding="utf-8")
    # what was interrupted is read whole the next time
    assert cli.ok("ingest", "--site", filled, "--no-build", "--json").json["events_kept"] == 23992


# A program that hears Ctrl-C where Python swallows what is raised: in a weak reference's callback.
SWALLOWED = """
import signal, sys, time, weakref
from dripledger.commands.interrupts import prompt_interrupts

class Thing:
    pass

def hear(reference):
    for _ in range({signals}):
        signal.raise_signal(signal.SIGINT)

def give_up():
    print("gave up")
    return 3

thing = Thing()
reference = weakref.ref(thing, hear)
try:
    with prompt_interrupts(give_up, grace_s=1.0):
        del thing
        time.sleep(30)
except KeyboardInterrupt:
    print("heard")
time.sleep(1.5)
"""


@pytest.mark.parametrize("signals", [1, pytest.param(2, marks=LONG)])
def test_ctrl_c_is_not_swallowed_by_a_callback(cli: CommandLine, signals: int) -> None:
    run = subprocess.run(
        [sys.executable, "-c", SWALLOWED.format(signals=signals)],
        env=cli.env, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (run.stdout, run.stderr, run.returncode) == ("heard\n", "", 0)


def test_ctrl_c_in_a_report_leaves_no_half_of_one(cli: CommandLine, filled: Path) -> None:
    process = subprocess.Popen(
        as_installed(cli, "report", "--month", "2026-10", "--site", filled), cwd=cli.folder, env=cli.env,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    time.sleep(1.0)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode in (0, 130), err
    assert "Traceback" not in err, err
    made = list((filled / "reports").glob("*")) if (filled / "reports").exists() else []
    assert not [folder for folder in made if folder.name.startswith(".")]
    # a signal that comes once the folder stands finds it whole
    assert process.returncode != 0 or made
    for folder in made:
        cli.ok("verify", folder, "--site", filled)
