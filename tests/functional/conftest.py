"""The real command line on small real files, in folders with spaces in their names."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from dripledger import cli as command_line


@dataclass(frozen=True)
class Done:
    """What one run of the command line left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)

    def refused(self, code: int, *words: str) -> None:
        """Check that the run ended with `code` and told one message with these words, without a traceback."""
        assert self.code == code, f"exit code {self.code}\n{self.out}\n{self.err}"
        assert "Traceback" not in self.err
        told = [line for line in self.err.splitlines() if line.startswith("dripledger: ")]
        assert len(told) == 1, self.err
        for word in words:
            assert word in told[0], f"{word!r} is not in the message: {told[0]}"


class CommandLine:
    """Runs dripledger: in this process, which saves a start each time, or `apart` in one of its own.

    Both see the same arguments, folder and environment. What the process itself does (signals, pipes, a
    terminal, packages that are missing) is asked of `command` in a process of its own.
    """

    def __init__(self, folder: Path, home: Path, *, apart: bool = False) -> None:
        self.folder = folder
        self.apart = apart
        self.env = {**os.environ, "HOME": str(home), "LC_ALL": "C.UTF-8"}
        for name in ("DRIPLEDGER_KEY_DIR", "DRIPLEDGER_KEY", "NO_COLOR"):
            self.env.pop(name, None)

    def command(self, *args: str | Path) -> list[str]:
        return [sys.executable, "-W", "error", "-m", "dripledger.cli", *map(str, args)]

    def __call__(self, *args: str | Path, env: Mapping[str, str] | None = None) -> Done:
        env = {**self.env, **(env or {})}
        return self._apart(args, env) if self.apart else self._here(args, env)

    def _here(self, args: tuple[str | Path, ...], env: Mapping[str, str]) -> Done:
        out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
        with (
            pytest.MonkeyPatch.context() as patched,
            contextlib.chdir(self.folder),
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
        ):
            for name in os.environ.keys() - env.keys():
                patched.delenv(name)
            for name, value in env.items():
                patched.setenv(name, value)
            patched.setattr(sys, "stdin", io.StringIO())
            patched.setattr("tempfile.tempdir", None)  # asked for anew, as TMPDIR may say another
            try:
                code = command_line.main([str(arg) for arg in args])
            except SystemExit as ended:
                code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
        told = [stream.buffer.getvalue().decode("utf-8") for stream in (out, err)]  # type: ignore[attr-defined]
        return Done(code, *told)

    def _apart(self, args: tuple[str | Path, ...], env: Mapping[str, str]) -> Done:
        done = subprocess.run(
            self.command(*args),
            cwd=self.folder,
            env=env,
            capture_output=True,
            text=True,
            encoding="utf-8",
            timeout=120,
        )
        return Done(done.returncode, done.stdout, done.stderr)

    def ok(self, *args: str | Path) -> Done:
        done = self(*args)
        assert done.code == 0, f"{args}: exit code {done.code}\n{done.err}"
        return done


@pytest.fixture
def cli(tmp_path: Path) -> CommandLine:
    work = tmp_path / "a folder with spaces"
    home = tmp_path / "home"
    work.mkdir()
    home.mkdir()
    return CommandLine(work, home)


PLAIN_MAPPING = """
pattern = ["*.csv"]
shape = "delimited"
canonical = true
records = ["all"]
sequence_reliable = true

[time]
format = "iso"
zone = "site"
"""

SITE_TOML = """
format = 1
facility = "harbour-hospital"
time_zone = "Europe/Lisbon"
"""

HEADER = "pump_id,channel,device_time,sequence,kind,care_area,entry,library_use,rate_ml_h\n"


def infusion(pump: str, start: str, stop: str, sequence: int, use: str = "limited") -> str:
    """Return two canonical lines: a start at 10 mL/h and its stop."""
    entry = "morphine" if use == "limited" else ""
    return (
        f"{pump},A,{start},{sequence},infusion_started,ICU,{entry},{use},10\n"
        f"{pump},A,{stop},{sequence + 1},infusion_stopped,ICU,,,\n"
    )


TWO_INFUSIONS = (
    HEADER
    + infusion("P-1", "2026-10-01T08:00:00", "2026-10-01T09:30:00", 1)
    + infusion("P-1", "2026-10-02T08:00:00", "2026-10-02T08:30:00", 3, "bypassed")
)


def make_site(root: Path) -> None:
    """Write a small site with one canonical source and an empty inbox."""
    for name in ("sources", "inbox"):
        (root / name).mkdir(parents=True)
    (root / "site.toml").write_text(SITE_TOML, encoding="utf-8")
    (root / "sources" / "plain.toml").write_text(PLAIN_MAPPING, encoding="utf-8")


@pytest.fixture
def site(cli: CommandLine) -> Path:
    """Return a small site with one canonical source and nothing read yet."""
    root = cli.folder / "my site"
    make_site(root)
    return root


@pytest.fixture(scope="session")
def read_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site that has read two infusions: made once, copied for each test."""
    folder = tmp_path_factory.mktemp("read once")
    root = folder / "my site"
    make_site(root)
    (root / "inbox" / "october.csv").write_text(TWO_INFUSIONS, encoding="utf-8")
    CommandLine(folder, folder).ok("ingest", "--site", root)
    return root


@pytest.fixture
def filled(cli: CommandLine, read_once: Path) -> Path:
    """Return the site after one ingest of two infusions."""
    root = cli.folder / "my site"
    shutil.copytree(read_once, root)
    return root


def tree_digest(root: Path) -> str:
    """Return one digest over names and contents of everything below a folder but locks and spill folders."""
    parts = []
    for path in sorted(root.rglob("*")):
        relative = path.relative_to(root)
        if path.is_file() and path.suffix != ".lock" and "spill" not in relative.parts:
            parts.append(f"{relative}:{hashlib.sha256(path.read_bytes()).hexdigest()}")
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


@pytest.fixture
def unchanged(cli: CommandLine) -> Callable[[Path], Callable[[], None]]:
    """Return a function that remembers a folder; what it returns checks that nothing in it changed."""

    def remember(root: Path) -> Callable[[], None]:
        before = tree_digest(root)

        def check() -> None:
            assert tree_digest(root) == before, "something was written"

        return check

    return remember
