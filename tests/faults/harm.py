"""What the tests of kills and failing disks stand on: a small site, work on it, what a reader sees of it."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.database import connection
from tests.event_samples import HEADER, WARDS, make_site

from dripledger.cli import main
from dripledger.events import ingest
from dripledger.site import load_site
from dripledger.store import Ledger
from dripledger.store.remains import unnamed_files

CHECKOUT = Path(__file__).resolve().parents[2]
#: Tables that a reader sees, each without what tells only when and by which run a row was written.
TABLES = {
    "events": "* exclude (ingest_id)",
    "quarantined": "* exclude (ingest_id)",
    "ignored": "* exclude (ingest_id)",
    "segments": "*",
    "infusions": "*",
    "ingests": "* exclude (ingest_id, ingested_at)",
    "libraries": "*",
}

#: Imports everything, says so, waits for the word, and then is the command line.
WORKER = """
import sys
import dripledger.commands.verbs, dripledger.events.quarantine, dripledger.events.redo, dripledger.reports
from dripledger.cli import main
print("ready", flush=True)
sys.stdin.readline()
code = main(sys.argv[1:])
print("code", code, flush=True)
sys.exit(code)
"""


def log(pump: str, day: int, count: int, first: int = 1) -> str:
    """Return lines of one pump: starts and stops, and every ninth that cannot be read."""
    lines = []
    for place in range(count):
        hour, minute = divmod(place * 7 % 1430, 60)
        kind = ("START", "RATE", "STOP")[place % 3]
        rate = "x" if place % 9 == 8 else "5"
        at = f"2026-10-{day:02d} {hour:02d}:{minute:02d}:{place % 60:02d}"
        lines.append(f"{pump},{at},{first + place},{kind},ICU,Heparin,{rate},70\n")
    return "".join(lines)


@dataclass(frozen=True)
class Work:
    """Something that is done to a site and may be killed: its command, and the site it needs."""

    name: str
    command: tuple[str, ...]
    read: int = 2
    empty: int = 0

    def prepare(self, root: Path) -> None:
        """Make a site on which the command has something to do."""
        site = make_site(root)
        for version in range(self.read):
            text = log(f"P{version % 4}", 1 + version % 27, 60)
            (site.inbox / f"wards{version:03d}.csv").write_text(HEADER + text, encoding="utf-8")
            assert ingest(load_site(root), build=version == self.read - 1).balanced
        for _ in range(self.empty):
            with Ledger.open(site.store).write() as writer:
                writer.commit(ingest_id=None, declarations=site.declaration_files())
        mapping = site.sources / "wards.toml"
        if self.name in ("ingest", "compaction"):
            more = "".join(log(f"P{pump}", 28, 400, 500) for pump in range(4))
            (site.inbox / "wards_new.csv").write_text(HEADER + more, encoding="utf-8")
        elif self.name == "retry":
            mapping.write_text(
                WARDS.replace('{ field = "Rate", unit = "mL/h" }', "{ expr = \"nullif(Rate, 'x')\" }")
            )
        elif self.name == "report again":
            # the report that stands there already is of fewer records
            assert run(root, self) == 0
            more = "".join(log(f"P{pump}", 28, 400, 500) for pump in range(4))
            (site.inbox / "wards_new.csv").write_text(HEADER + more, encoding="utf-8")
            assert ingest(load_site(root)).balanced
        elif self.name == "redo":
            mapping.write_text(WARDS.replace('STOP = "infusion_stopped"', 'STOP = "infusion_paused"'))


WORKS = {
    work.name: work
    for work in (
        Work("ingest", ("ingest",)),
        # the 25th version puts small files together
        Work("compaction", ("ingest",), 14, 10),
        Work("retry", ("quarantine", "--retry")),
        Work("redo", ("ingest", "--redo", "wards")),
        Work("report", ("report", "--month", "2026-10")),
        Work("report again", ("report", "--month", "2026-10")),
    )
}


def seen(root: Path) -> Mapping[str, object]:
    """Return everything that a reader sees of a site: rows of every table, and the files of its reports."""
    site = load_site(root)
    snapshot = Ledger.open(site.store).snapshot()
    told: dict[str, object] = {}
    with connection() as con:
        snapshot.attach(con, TABLES)
        for table, columns in TABLES.items():
            told[table] = con.execute(f"select {columns} from {table} order by all").fetchall()
    told["version"] = snapshot.version
    told["reports"] = {
        path.relative_to(site.reports).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(site.reports.rglob("*"))
        if path.is_file() and not path.relative_to(site.reports).parts[0].startswith(".")
    }
    return told


def set_aside(root: Path) -> Mapping[str, str]:
    """Return the files of a report that was moved aside for a new one, when none stands in its place."""
    return _hashes(next(iter(sorted(root.glob("reports/.*-old-*/report"))), None))


def _hashes(folder: Path | None) -> Mapping[str, str]:
    if folder is None:
        return {}
    return {
        f"2026-10/{path.relative_to(folder).as_posix()}": hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def left_over(root: Path) -> list[str]:
    """Return what no run that ended well leaves behind: half files, spilled rows, reports put aside.

    Nor data files that no version names, nor the mark of a writer at work.
    """
    found = [
        *unnamed_files(Ledger.open(root / "store").snapshot()), *root.glob("store/writing-*"),
        *root.glob("originals/.partial*"), *root.glob("store/spill/*"), *root.glob("reports/.*"),
        *root.glob("store/**/.part-*"), *root.glob("originals/again*"),
    ]  # fmt: skip
    return sorted(str(path.relative_to(root)) for path in found)


class Child:
    """The command line in a process that has imported everything and waits for the word."""

    def __init__(self, root: Path, work: Work, env: Mapping[str, str] | None = None) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", WORKER, *work.command, "--site", str(root)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=CHECKOUT,
            env={**os.environ, **(env or {})},
        )

    def go(self) -> None:
        """Wait until everything is imported, and give the word."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        if self.process.stdout.readline() != "ready\n":
            raise RuntimeError(self.process.communicate()[1])
        self.process.stdin.write("\n")
        self.process.stdin.flush()

    def reached(self, root: Path, pattern: str) -> bool:
        """Wait until there is such a path, or until the process has ended; whether there is one."""
        while self.process.poll() is None:
            if next(iter(root.glob(pattern)), None) is not None:
                return True
            time.sleep(0.0005)
        return False

    def end(self, after_s: float | None = None) -> tuple[int, str]:
        """Wait for the end, or kill it after so many seconds; return the exit code and what was said."""
        try:
            _, told = self.process.communicate(timeout=120 if after_s is None else after_s)
        except subprocess.TimeoutExpired:
            self.process.send_signal(signal.SIGKILL)
            _, told = self.process.communicate()
        return self.process.returncode, told


def run(root: Path, work: Work) -> int:
    """Do the work in this process, without waiting for a lock."""
    wait = ["--wait", "0"] if work.command[0] == "ingest" else []
    return main([*work.command, *wait, "--site", str(root)])


def copy(base: Path, root: Path) -> Path:
    """Return a fresh copy of a site, under the path that every copy has in turn."""
    shutil.rmtree(root, ignore_errors=True)
    shutil.copytree(base, root)
    return root
