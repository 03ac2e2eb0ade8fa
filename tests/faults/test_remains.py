"""Data files that no commit names: taken away after a kill and after a failure, and nobody else's ever."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from tests.event_samples import HEADER, drop, make_site, read
from tests.faults.harm import left_over, log
from tests.faults.test_store_faults import kill_at
from tests.marks import LONG
from tests.store_samples import commit_events, count, rows

from dripledger.cli import main
from dripledger.store import Ledger, delta, is_sound, verify_store
from dripledger.store import ledger as ledgers
from dripledger.store import writer as writers
from dripledger.store.remains import dead_marks, make_mark, unnamed_files
from dripledger.store.status import status


def unnamed(root: Path) -> list[str]:
    return [path.name for path in unnamed_files(Ledger.open(root).snapshot())]


def marks(root: Path) -> list[str]:
    return [path.name for path in root.glob("writing-*")]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    path = tmp_path / "store"
    commit_events(path, [1])
    return path


@pytest.mark.parametrize(
    "stage",
    [
        pytest.param("lock", marks=LONG),
        "first table",
        *(pytest.param(stage, marks=LONG) for stage in ("before commits", "after commits")),
    ],
)
def test_what_a_killed_writer_left_goes_with_the_next_write(root: Path, stage: str) -> None:
    kill_at(root, stage)
    left = unnamed(root)
    assert len(left) == {"lock": 0, "first table": 1, "before commits": 3, "after commits": 0}[stage]
    assert len(marks(root)) == 1
    held = status(Ledger.open(root).snapshot())["held"]
    assert held["unnamed_files"] == len(left)
    assert (held["unnamed_bytes"] > 0) == bool(left)
    assert held["data_files"] == len(list((root).rglob("month=*/*.parquet"))) + len(
        list((root / "infusions").glob("*.parquet"))
    ) - len(left)
    with Ledger.open(root).write(wait_s=0):
        assert not set(left) & set(unnamed(root))
    assert (unnamed(root), marks(root)) == ([], [])
    commit_events(root, [9])
    assert [f.what for f in verify_store(root)] == []


def failing(error: type[Exception] = ZeroDivisionError) -> Any:
    raise error


@pytest.mark.parametrize("how", ["left", "failed", "failed in a write", "failed in the commit"])
def test_a_writer_that_does_not_commit_takes_its_files_away(
    root: Path, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with contextlib.suppress(ZeroDivisionError, OSError), Ledger.open(root).write() as writer:
        writer.append("events", rows("events", [2]))
        writer.replace("segments", ["2026-10"], rows("segments", [7]))
        assert len(unnamed(root)) == 2
        if how == "failed in a write":
            monkeypatch.setattr(delta, "_held", lambda *_: failing())
            writer.replace("infusions", None, rows("infusions", [7]))
        if how == "failed in the commit":
            monkeypatch.setattr(delta, "open_at", lambda *_: failing(OSError))
            writer.commit(ingest_id=None, declarations=[])
        if how == "failed":
            failing()
    monkeypatch.undo()
    if how == "failed in the commit":
        # nothing could be looked up: the next writer does it
        assert len(marks(root)) == 1
        with Ledger.open(root).write():
            pass
    assert (unnamed(root), marks(root)) == ([], [])
    assert list((root / "commits").glob("*.parquet")) != []
    assert commit_events(root, [4]) == 2
    assert count(Ledger.open(root).snapshot()) == 2
    assert verify_store(root) == []


def test_what_a_commit_names_stays_even_if_the_commit_says_that_it_failed(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = delta.write

    def visible_and_failed(handle: Any, table: Any, data: Any, **options: Any) -> None:
        real(handle, table, data, **options)
        if table.name == "commits":
            failing()

    monkeypatch.setattr(delta, "write", visible_and_failed)
    with contextlib.suppress(ZeroDivisionError), Ledger.open(root).write() as writer:
        writer.append("events", rows("events", [2, 3]))
        writer.commit(ingest_id=None, declarations=[])
        pytest.fail("the commit did not fail")
    monkeypatch.undo()
    assert (Ledger.open(root).snapshot().version, count(Ledger.open(root).snapshot())) == (2, 3)
    assert marks(root) == []
    assert verify_store(root) == []


@pytest.fixture
def no_lock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the lock fail: everybody gets it."""
    monkeypatch.setattr(ledgers, "_locked", lambda *_: contextlib.nullcontext())


@pytest.mark.usefixtures("no_lock")
def test_two_writers_never_touch_each_others_files(root: Path) -> None:
    with Ledger.open(root).write() as one, Ledger.open(root).write() as other:
        for number, writer in enumerate((one, other), start=2):
            writer.append("segments", rows("segments", [number]))
            # each for itself, as if the other one's commit of this table had come in between its own steps
        assert one.token != other.token
        assert len(unnamed(root)) == len(set(unnamed(root))) == 2
    # both gave up, each took its own
    assert unnamed(root) == []
    with Ledger.open(root).write() as one:
        one.append("events", rows("events", [2]))
        (mine,) = unnamed_files(Ledger.open(root).snapshot())
        content = mine.read_bytes()
        with contextlib.suppress(ZeroDivisionError), Ledger.open(root).write() as other:
            other.append("segments", rows("segments", [3]))
            failing()
        assert mine.read_bytes() == content
        one.commit(ingest_id=None, declarations=[])
    assert count(Ledger.open(root).snapshot()) == 2
    # the other had taken the table back under it; its version is named all the same, and the next goes on
    commit_events(root, [9])
    assert count(Ledger.open(root).snapshot()) == 3
    assert is_sound(verify_store(root))


def test_the_mark_of_a_running_process_stays(root: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as other:
        mark = root / f"writing-{other.pid}-00ff"
        mark.touch()
        file = root / "events" / "month=2026-10" / "v000000009-00ff-00000.parquet"
        file.write_bytes(b"being written")
        commit_events(root, [2])
        assert mark.exists()
        assert file.exists()
        other.communicate(b"\n")
    commit_events(root, [3])
    assert not mark.exists()
    assert not file.exists()
    # a number that came back is not this process's own mark
    (root / f"writing-{os.getpid()}-00ee").touch()
    mine = make_mark(root)
    assert [mark.token for mark in dead_marks(root)] == ["00ee"]
    mine.remove()


def test_files_of_others_stay(root: Path) -> None:
    """Left by who knows whom: noted, and nothing takes them away."""
    kill_at(root, "first table")
    file = Path(Ledger.open(root).snapshot().files("events")[0])
    strange = file.with_name("somebodys.parquet")
    strange.write_bytes(file.read_bytes())
    older = file.with_name("part-00000-older.parquet")
    older.write_bytes(file.read_bytes())
    os.utime(older, (1, 1))
    commit_events(root, [2])
    assert unnamed(root) == [older.name, strange.name]
    assert [f.level for f in verify_store(root)] == ["note", "note"]


def test_what_was_begun_of_putting_files_together_goes_too(root: Path) -> None:
    kill_at(root, "first table")
    begun = root / "events" / "month=2026-10" / "part-00000-0000-c000.zstd.parquet#1"
    begun.write_bytes(b"half a fi")
    assert begun.name in unnamed(root)
    commit_events(root, [2])
    assert (unnamed(root), marks(root)) == ([], [])


def test_what_was_written_and_then_put_together_goes_with_the_commit(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writers, "_GATHER_EVERY", 5)
    for number in range(2, 16):
        commit_events(root, [number])
        assert (unnamed(root), marks(root)) == ([], [])
    with Ledger.open(root).write() as writer:
        for number in (1, 2):
            writer.replace("infusions", None, rows("infusions", [number]))
        writer.commit(ingest_id=None, declarations=[])
    assert (unnamed(root), marks(root)) == ([], [])
    assert [count(Ledger.open(root).snapshot(str(version))) for version in range(1, 16)] == [*range(1, 16)]
    assert verify_store(root) == []


def test_an_ingest_that_fails_leaves_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = make_site(tmp_path)
    drop(site, "wards1.csv", HEADER + log("P1", 1, 30))
    read(site)
    drop(site, "wards2.csv", HEADER + log("P2", 1, 31))
    real = delta.write

    def full(handle: Any, table: Any, data: Any, **options: Any) -> None:
        if table.name == "commits":
            raise OSError(28, "No space left on device")
        real(handle, table, data, **options)

    monkeypatch.setattr(delta, "write", full)
    assert main(["ingest", "--site", str(tmp_path)]) == 1
    monkeypatch.undo()
    assert unnamed(site.store) == []
    assert left_over(tmp_path) == []
    assert read(site).total("rows_read") == 31
    assert verify_store(site.store) == []
