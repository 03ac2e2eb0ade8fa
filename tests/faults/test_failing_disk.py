"""One write, sync or rename fails, or the disk is full from then on: one message, the store as before."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from tests.event_samples import HEADER, drop, make_site, read
from tests.faults.harm import WORKS, Child, Work, copy, left_over, log, run, seen
from tests.faults.test_kills import state
from tests.marks import LONG

from dripledger.cli import main
from dripledger.errors import MachineError, disk_failure
from dripledger.events import space
from dripledger.store import is_sound, verify_store

SOURCE = Path(__file__).with_name("failing.c")
WORK = WORKS["ingest"]


@pytest.fixture(scope="module")
def failing(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the library that lets calls fail; skip where it cannot be built."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None or os.uname().sysname != "Linux":
        pytest.skip("there is no C compiler here (or no Linux) to build what lets calls fail")
    library = tmp_path_factory.mktemp("failing") / "failing.so"
    subprocess.run([compiler, "-O1", "-shared", "-fPIC", "-o", library, SOURCE, "-ldl"], check=True)
    return library


@pytest.fixture(scope="module")
def bases(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder for a site of each work, which is made when it is first asked for."""
    return tmp_path_factory.mktemp("bases")


class Trial:
    """One kind of work with one kind of call failing."""

    def __init__(self, bases: Path, root: Path, failing: Path, work: Work, call: str) -> None:
        self.base, self.root, self.failing, self.work, self.call = (
            bases / work.name,
            root,
            failing,
            work,
            call,
        )
        if not self.base.exists():
            work.prepare(self.base)
        copy(self.base, root)
        self.before = state(seen(root))
        code, told, self.calls = self.run(0)
        assert code in (0, 4), told
        self.after = state(seen(root))
        assert self.before != self.after

    def run(self, at: int, number: int = errno.EIO, on: bool = False) -> tuple[int, str, int]:
        """Do the work on a fresh copy; return exit code, messages and the number of calls."""
        copy(self.base, self.root)
        count = self.root.parent / "count"
        env = {
            "LD_PRELOAD": str(self.failing), "FAIL_BELOW": str(self.root), "FAIL_CALL": self.call,
            "FAIL_AT": str(at), "FAIL_WITH": str(number), "FAIL_COUNT": str(count),
            **({"FAIL_ON": "1"} if on else {}),
        }  # fmt: skip
        child = Child(self.root, self.work, env)
        child.go()
        code, told = child.end()
        return code, told, int(count.read_text()) if count.exists() else 0

    def survives(self, at: int, number: int = errno.EIO, on: bool = False) -> int:
        """Let the call fail, look at what is told and what a reader sees, and do it again undisturbed."""
        code, told, _ = self.run(at, number, on)
        where = f"{self.call} {at} of {self.calls}: exit code {code}\n{told}"
        now = state(seen(self.root))
        assert "Traceback" not in told, where
        assert "a defect" not in told, where
        if code in (0, 4):
            # what failed was not needed, or was tried again
            assert now == self.after, where
        else:
            # after the commit only tidying up can fail
            assert now in (self.before, self.after), where
            lines = [line for line in told.splitlines() if line.startswith("dripledger: ")]
            assert len(lines) == 1, where
            word = os.strerror(number)
            assert word in lines[0], where
            assert code in (1, 5), where
        assert run(self.root, self.work) in (0, 4), where
        assert state(seen(self.root)) == self.after, where
        assert left_over(self.root) == [], where
        assert is_sound(verify_store(self.root / "store")), where
        return code


@pytest.mark.parametrize(
    ("name", "call"),
    [
        pytest.param("ingest", "write", marks=LONG),
        pytest.param("redo", "sync", marks=pytest.mark.slow),
        ("ingest", "rename"),
    ],
)
def test_one_call_fails(bases: Path, failing: Path, tmp_path: Path, name: str, call: str) -> None:
    trial = Trial(bases, tmp_path / "site", failing, WORKS[name], call)
    assert trial.calls > 0
    # a write may fail of what can be done another way: then all is as if it had not
    assert trial.survives((trial.calls + 1) // 2) in ((1, 4) if call == "write" else (1,))


@pytest.mark.slow
@pytest.mark.merge
def test_the_disk_is_full_from_somewhere_on(bases: Path, failing: Path, tmp_path: Path) -> None:
    trial = Trial(bases, tmp_path / "site", failing, WORK, "write")
    for at in (1, trial.calls // 2):
        trial.survives(at, errno.ENOSPC, on=True)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["ingest", "redo"])
@pytest.mark.parametrize("call", ["write", "sync", "rename"])
def test_every_call_fails_once(bases: Path, failing: Path, tmp_path: Path, name: str, call: str) -> None:
    trial = Trial(bases, tmp_path / "site", failing, WORKS[name], call)
    codes = [trial.survives(at) for at in range(1, trial.calls + 1)]
    ended = sum(code == 1 for code in codes)
    print(f"{name}: each of {trial.calls} calls of {call} failed once; {ended} runs ended with 1")
    assert 1 in codes


@pytest.mark.slow
@pytest.mark.parametrize("name", ["ingest", "redo"])
def test_the_disk_is_full_from_everywhere_on(bases: Path, failing: Path, tmp_path: Path, name: str) -> None:
    trial = Trial(bases, tmp_path / "site", failing, WORKS[name], "write")
    for at in range(1, trial.calls + 1):
        trial.survives(at, errno.ENOSPC, on=True)


def test_room_is_looked_for_before_anything_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    site = make_site(tmp_path)
    drop(site, "wards1.csv", HEADER + log("P1", 1, 30))
    assert read(site).total("rows_read") == 30
    before = seen(tmp_path)
    drop(site, "wards2.csv", HEADER + log("P2", 1, 31))
    free = {"bytes": 63 << 20}
    monkeypatch.setattr(space.shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(0, 0, free["bytes"]))
    assert main(["ingest", "--site", str(tmp_path)]) == 1
    told = capsys.readouterr().err
    assert "63 MiB are free here" in told
    assert "free_mib" in told
    assert seen(tmp_path) == before
    assert len(list(site.originals.glob("*.zst"))) == 1
    # enough to begin with, and not for what is new
    free["bytes"] = (64 << 20) + 100
    with pytest.raises(MachineError, match="nothing was read"):
        read(site)
    assert seen(tmp_path) == before
    free["bytes"] = 65 << 20
    assert read(site).total("rows_read") == 31


def told_by(error: BaseException) -> str:
    return str(disk_failure(error))


def test_a_full_disk_is_told_whoever_says_so() -> None:
    assert "the disk is full" in told_by(OSError(errno.ENOSPC, "No space left on device", "/x"))
    assert "the disk is full" in told_by(
        RuntimeError("IO Error: Could not write file: No space left on device")
    )
    outer = RuntimeError("something else")
    outer.__cause__ = OSError(errno.EDQUOT, "Disk quota exceeded")
    assert "the disk is full" in told_by(outer)
    assert "the disk failed" in told_by(OSError(errno.EIO, "Input/output error"))
    assert disk_failure(OSError(errno.ENOENT, "No such file or directory")) is None
    assert disk_failure(ValueError("x")) is None
