"""What time, a kill and a second writer do to a store."""

from __future__ import annotations

import datetime as dt
import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from deltalake import DeltaTable, write_deltalake
from deltalake.exceptions import DeltaError
from tests.marks import LONG
from tests.store_samples import balanced, commit_events, count, fetch, rows

from dripledger.errors import StoreBusyError, VerificationError
from dripledger.store import Ledger, is_sound, verify_store

CHECKOUT = Path(__file__).resolve().parents[2]
DAY_MS = 86_400_000


def age(folder: Path, days: int) -> None:
    """Make a Delta log look as if everything in it had been written so many days earlier."""

    def older(node: Any) -> None:
        for key, value in node.items():
            if isinstance(value, dict):
                older(value)
            elif key in ("timestamp", "modificationTime", "deletionTimestamp", "createdTime") and value:
                node[key] = value - days * DAY_MS

    for path in folder.rglob("*"):
        if path.parent.name == "_delta_log" and path.suffix == ".json":
            lines = [json.loads(line) for line in path.read_text().splitlines()]
            for line in lines:
                older(line)
            path.write_text("".join(json.dumps(line) + "\n" for line in lines))
        if path.is_file():
            then = path.stat().st_mtime - days * 86400
            os.utime(path, (then, then))


def test_versions_40_days_old_are_still_readable_after_checkpoints(tmp_path: Path) -> None:
    root = tmp_path / "store"
    for number in range(12):
        commit_events(root, [number])
    age(root, 40)
    # enough commits for another checkpoint, at which old log entries would be dropped
    for number in range(12, 34):
        commit_events(root, [number])
    ledger = Ledger.open(root)
    for version in (1, 2, 3, 12, 13, 34):
        assert count(ledger.snapshot(str(version))) == version
    # the table's own first version, the empty one
    assert DeltaTable(root / "events", version=0).file_uris() == []
    assert list((root / "events" / "_delta_log").glob("*.checkpoint.parquet"))
    assert is_sound(verify_store(root))


def test_ageing_is_strong_enough_to_lose_versions_of_a_table_with_default_properties(tmp_path: Path) -> None:
    # what the properties protect from; if this fails, the test above proves nothing any more
    table = pa.table({"a": [1]})
    for _ in range(12):
        write_deltalake(
            tmp_path / "t", table, mode="append", configuration={"delta.checkpointInterval": "10"}
        )
    assert DeltaTable(tmp_path / "t", version=0).version() == 0
    age(tmp_path, 40)
    for _ in range(22):
        write_deltalake(tmp_path / "t", table, mode="append")
    with pytest.raises(DeltaError):
        DeltaTable(tmp_path / "t", version=0)


def test_a_date_is_resolved_by_the_commits_and_not_by_file_times(tmp_path: Path) -> None:
    root = tmp_path / "store"
    for day in (1, 2, 3):
        commit_events(root, [day], at=dt.datetime(2026, 11, day, 12, tzinfo=dt.UTC))
    age(root, 1000)
    assert [Ledger.open(root).snapshot(f"2026-11-0{day}").version for day in (1, 2, 3)] == [1, 2, 3]


KILLED = """
import sys, time
from pathlib import Path
from dripledger.store import Ledger
from dripledger.store import delta
from tests.store_samples import rows

root, stage = Path(sys.argv[1]), sys.argv[2]
def wait():
    print("there", flush=True)
    time.sleep(60)

with Ledger.open(root).write() as writer:
    if stage == "lock":
        wait()
    writer.append("events", rows("events", [7, 8]))
    if stage == "first table":
        wait()
    writer.replace("segments", ["2026-10"], rows("segments", [7]))
    writer.replace("infusions", None, rows("infusions", [7]))
    real = delta.write
    def stopped(handle, table, data, **options):
        if stage == "before commits":
            wait()
        real(handle, table, data, **options)
    delta.write = stopped
    writer.commit(ingest_id="killed", declarations=[])
    wait()
"""


def kill_at(root: Path, stage: str) -> None:
    child = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(root), stage], stdout=subprocess.PIPE, text=True, cwd=CHECKOUT
    )
    assert child.stdout is not None
    with child.stdout as stream:
        assert stream.readline() == "there\n"
    child.send_signal(signal.SIGKILL)
    assert child.wait(timeout=10) == -signal.SIGKILL


@pytest.mark.parametrize(
    "stage",
    [
        *(pytest.param(stage, marks=LONG) for stage in ("lock", "first table")),
        "before commits",
        pytest.param("after commits", marks=LONG),
    ],
)
def test_a_kill_leaves_a_whole_version_and_the_next_writer_repairs(tmp_path: Path, stage: str) -> None:
    root = tmp_path / "store"
    ledger = Ledger.create(root)
    with ledger.write() as writer:
        writer.append("events", rows("events", [1]))
        writer.append("segments", rows("segments", [1, 2]))
        writer.append("ingests", balanced())
        writer.commit(ingest_id="i", declarations=[])
    kill_at(root, stage)
    done = stage == "after commits"
    tables = ("events", "segments", "infusions")
    whole = [3, 1, 1] if done else [1, 2, 0]
    snapshot = ledger.snapshot()
    assert snapshot.version == (2 if done else 1)
    assert [count(snapshot, table) for table in tables] == whole
    ahead = {f.where for f in verify_store(root) if f.level == "error"}
    assert (
        ahead
        == {
            "lock": set(),
            "first table": {"events"},
            "before commits": set(tables),
            "after commits": set(),
        }[stage]
    )
    # the lock is free at once, and what was left over is gone
    with ledger.write(wait_s=0) as writer:
        assert [count(writer.current(), table) for table in tables] == whole
        writer.append("events", rows("events", [9]))
        writer.commit(ingest_id="next", declarations=[])
    after = ledger.snapshot()
    assert after.version == snapshot.version + 1
    assert [count(after, table) for table in tables] == [whole[0] + 1, *whole[1:]]
    assert is_sound(verify_store(root))
    assert [count(ledger.snapshot("1"), table) for table in tables] == [1, 2, 0]


def test_leaving_without_commit_or_by_an_error_changes_nothing(tmp_path: Path) -> None:
    root = tmp_path / "store"
    commit_events(root, [1])
    ledger = Ledger.open(root)
    with ledger.write() as writer:
        writer.append("events", rows("events", [2]))

    def failing() -> None:
        with ledger.write() as writer:
            writer.append("events", rows("events", [3]))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        failing()
    assert (ledger.snapshot().version, count(ledger.snapshot())) == (1, 1)
    assert commit_events(root, [4]) == 2
    assert fetch(ledger.snapshot(), "select sequence - 4611686018427387904 from events order by 1") == [
        (1,),
        (4,),
    ]


def test_a_second_writer_is_told_that_the_store_is_in_use(tmp_path: Path) -> None:
    root = tmp_path / "store"
    ledger = Ledger.create(root)
    with ledger.write() as writer:
        writer.append("events", rows("events", [1]))
        with pytest.raises(StoreBusyError, match="another process is writing") as caught:
            Ledger.open(root).write(wait_s=0.1).__enter__()
        assert caught.value.exit_code == 6
        writer.commit(ingest_id=None, declarations=[])
    assert commit_events(root, [2]) == 2


def test_a_second_process_is_told_too(tmp_path: Path) -> None:
    root = tmp_path / "store"
    code = (
        "import sys; from pathlib import Path; from dripledger.store import Ledger\n"
        "try:\n    Ledger.open(Path(sys.argv[1])).write(wait_s=0).__enter__()\n"
        "except Exception as error:\n    print(type(error).__name__)\n"
    )
    with Ledger.create(root).write():
        done = subprocess.run(
            [sys.executable, "-c", code, str(root)], capture_output=True, text=True, check=True
        )
    assert done.stdout == "StoreBusyError\n"


def test_a_second_writer_waits_and_then_builds_on_the_first(tmp_path: Path) -> None:
    root = tmp_path / "store"
    ledger = Ledger.create(root)
    versions = []

    def second() -> None:
        with Ledger.open(root).write(wait_s=20) as writer:
            writer.append("events", rows("events", [2]))
            versions.append(writer.commit(ingest_id=None, declarations=[]))

    with ledger.write() as writer:
        thread = threading.Thread(target=second)
        thread.start()
        writer.append("events", rows("events", [1]))
        versions.append(writer.commit(ingest_id=None, declarations=[]))
    thread.join(30)
    assert versions == [1, 2]
    assert count(ledger.snapshot()) == 2


def test_a_reader_during_a_write_sees_the_version_before_it(tmp_path: Path) -> None:
    root = tmp_path / "store"
    commit_events(root, [1])
    ledger = Ledger.open(root)
    early = ledger.snapshot()
    with ledger.write() as writer:
        writer.replace("events", ["2026-10"], rows("events", [2, 3]))
        assert count(ledger.snapshot()) == 1
        assert count(Ledger.open(root).snapshot("1")) == 1
        assert all(f.level == "note" for f in verify_store(root))
        writer.commit(ingest_id=None, declarations=[])
        assert count(ledger.snapshot()) == 2
    # opened before, read after: still its own version
    assert count(early) == 1


def test_files_that_no_version_names_are_invisible(tmp_path: Path) -> None:
    root = tmp_path / "store"
    commit_events(root, [1])
    file = Path(Ledger.open(root).snapshot().files("events")[0])
    (file.parent / "part-left-over.parquet").write_bytes(file.read_bytes())
    (root / "events" / "month=2026-12").mkdir()
    (root / "events" / "month=2026-12" / "broken.parquet").write_bytes(b"half a fi")
    snapshot = Ledger.open(root).snapshot()
    assert count(snapshot) == 1
    assert snapshot.partitions("events") == ["2026-10"]
    findings = verify_store(root)
    assert [f.level for f in findings] == ["note", "note"]
    assert is_sound(findings)
    commit_events(root, [2])
    assert count(Ledger.open(root).snapshot()) == 2


def test_a_lost_data_file_is_said_so_and_not_read_over(tmp_path: Path) -> None:
    root = tmp_path / "store"
    commit_events(root, [1])
    commit_events(root, [2], month="2026-11")
    snapshot = Ledger.open(root).snapshot()
    Path(snapshot.files("events")[0]).unlink()
    with pytest.raises(VerificationError, match=r"events.*dripledger verify"):
        count(snapshot)
