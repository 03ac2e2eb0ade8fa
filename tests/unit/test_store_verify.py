"""Verification of a store finds every kind of damage, and the summary says what is in it."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from tests.store_samples import INSTANT, balanced, commit_events, rows

from dripledger.errors import StoreFormatError, VerificationError
from dripledger.store import Finding, Ledger, is_sound, status, verify_store


@pytest.fixture
def root(tmp_path: Path) -> Path:
    site = tmp_path / "site.toml"
    site.write_text("facility = 'a'\n")
    root = tmp_path / "store"
    for number in (1, 2):
        with Ledger.open_or_create(root).write() as writer:
            writer.append("events", rows("events", [number]))
            writer.append("ingests", balanced(f"{number}.csv"))
            writer.commit(ingest_id="i", declarations=[site])
    return root


def data_file(root: Path, version: str = "1") -> Path:
    return Path(Ledger.open(root).snapshot(version).files("events")[0])


def test_a_sound_store_has_no_finding(root: Path, tmp_path: Path) -> None:
    assert verify_store(root) == []
    assert verify_store(Ledger.create(tmp_path / "empty").root) == []


def test_verification_changes_nothing(root: Path) -> None:
    before = {p: p.stat().st_mtime_ns for p in root.rglob("*") if p.is_file() and p.name != "writer.lock"}
    verify_store(root)
    after = {p: p.stat().st_mtime_ns for p in root.rglob("*") if p.is_file() and p.name != "writer.lock"}
    assert before == after


def _flip(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def _change_commit(root: Path) -> None:
    path = next(iter((root / "commits").glob("*.parquet")))
    table = pq.read_table(path)
    notes = ["another note"] * table.num_rows
    index = table.column_names.index("note")
    pq.write_table(table.set_column(index, "note", [notes]), path)


def _lose_an_entry(root: Path) -> None:
    path = root / "events" / "_delta_log" / f"{1:020}.json"
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join(line for line in lines if not line.startswith('{"add"')))


@pytest.mark.parametrize(
    ("damage", "expected"),
    [
        (lambda root: data_file(root).unlink(), "the data file is missing"),
        (lambda root: _flip(data_file(root)), "content is not what was committed"),
        (lambda root: data_file(root).write_bytes(b""), "content is not what was committed"),
        (lambda root: next((root / "declarations").iterdir()).unlink(), "copy of site.toml is missing"),
        (lambda root: _flip(next((root / "declarations").iterdir())), "copy of site.toml was changed"),
        (lambda root: shutil.rmtree(root / "libraries"), "table libraries does not open at its version 0"),
        (_change_commit, "was changed"),
        (lambda root: shutil.rmtree(root / "commits"), "the table cannot be read"),
        (_lose_an_entry, "does not hold the files that were committed"),
        (
            lambda root: (root / "events" / "_delta_log" / f"{1:020}.json").write_text("{half"),
            "events does not open at its version",
        ),
        (
            lambda root: (root / "events" / "_delta_log" / f"{1:020}.json").unlink(),
            "events does not open at its version",
        ),
    ],
)
def test_damage_is_found(root: Path, damage: Callable[[Path], None], expected: str) -> None:
    damage(root)
    findings = verify_store(root)
    assert not is_sound(findings)
    assert any(expected in f.what for f in findings if f.level == "error"), findings


@pytest.mark.parametrize("table", ["events", "commits"])
def test_readers_and_writers_say_which_table_is_damaged(root: Path, table: str) -> None:
    (root / table / "_delta_log" / f"{1:020}.json").write_text("{half")
    ledger = Ledger.open(root)
    with pytest.raises(VerificationError, match=rf"table {table} does not open.*dripledger verify"):
        ledger.snapshot().files(table)
    with pytest.raises(VerificationError, match=f"table {table} does not open"):
        ledger.write().__enter__()


def test_a_reader_refuses_a_table_whose_log_lost_an_entry(root: Path) -> None:
    _lose_an_entry(root)
    with pytest.raises(VerificationError, match="no longer holds the files"):
        Ledger.open(root).snapshot().files("events")


def test_a_file_that_an_old_version_alone_names_is_looked_at_too(root: Path) -> None:
    with Ledger.open(root).write() as writer:
        writer.replace("events", None, rows("events", [5]))
        writer.commit(ingest_id="i", declarations=[])
    assert verify_store(root) == []
    _flip(data_file(root, "1"))
    assert [f.level for f in verify_store(root)] == ["error"]


def test_a_balance_that_does_not_close_is_found_by_file_and_in_total(root: Path) -> None:
    with Ledger.open(root).write() as writer:
        writer.append("ingests", balanced("lost.csv", rows_read=11, ingest_id="i9"))
        writer.commit(ingest_id="i9", declarations=[])
    assert [f.what for f in verify_store(root)] == [
        "in total 31 records were read and 30 are accounted for",
        "lost.csv (ingest i9): 11 records were read and 10 are accounted for",
    ]


def test_a_balance_that_closes_in_total_only_is_found(root: Path) -> None:
    with Ledger.open(root).write() as writer:
        writer.append("ingests", balanced("more.csv", rows_read=11))
        writer.append("ingests", balanced("less.csv", rows_read=9))
        writer.commit(ingest_id="i9", declarations=[])
    assert [f.where for f in verify_store(root)] == ["ingests", "ingests"]


def test_an_event_that_stands_twice_is_found(root: Path) -> None:
    commit_events(root, [1])
    assert [f.what for f in verify_store(root)] == ["1 event ids stand more than once, such as it's ü 1"]


def test_an_ignored_number_that_stands_twice_is_found(root: Path) -> None:
    with Ledger.open(root).write() as writer:
        writer.append("ignored", rows("ignored", [1, 2, 1]))
        writer.commit(ingest_id="i9", declarations=[])
    assert [(f.where, f.what) for f in verify_store(root)] == [
        ("ignored", "1 ignored records stand more than once")
    ]


def test_no_store_is_no_finding_but_an_error(tmp_path: Path) -> None:
    with pytest.raises(StoreFormatError, match="no store here yet"):
        verify_store(tmp_path)


def test_a_finding_reads_as_a_sentence() -> None:
    assert str(Finding("note", "events/x", "nobody names it")) == "note: events/x: nobody names it."


def test_the_summary_of_a_store(tmp_path: Path) -> None:
    root = tmp_path / "store"
    ledger = Ledger.create(root)
    with ledger.write() as writer:
        writer.append("events", rows("events", [1, 2], unmapped=[], pump_id="p1", source_name="a"))
        writer.append(
            "events",
            rows(
                "events", [3], unmapped=["kind", "entry"], kind_logged="X", entry_logged="?", source_name="b"
            ),
        )
        writer.append("events", rows("events", [4, 5], unmapped=["kind"], kind_logged="Y", source_name="b"))
        writer.append("quarantined", rows("quarantined", [1, 2]))
        writer.commit(ingest_id="i", declarations=[])
    found = status(ledger.snapshot())
    second = dt.timedelta(seconds=1)
    assert found["version"] == 1
    assert found["committed_at"] == ledger.snapshot().committed_at
    assert found["rows"]["events"] == 5
    assert found["rows"]["libraries"] == 0
    assert (found["first_occurred_at"], found["last_occurred_at"]) == (INSTANT + second, INSTANT + 5 * second)
    assert (found["pumps"], found["quarantined"]) == (5, 2)
    assert found["unmapped"] == {"kind": {"Y": 2, "X": 1}, "entry": {"?": 1}, "care_area": {}, "alarm": {}}
    assert found["sources"] == {
        "a": {"events": 2, "last_occurred_at": INSTANT + 2 * second},
        "b": {"events": 3, "last_occurred_at": INSTANT + 5 * second},
    }


def test_the_summary_of_an_empty_store(tmp_path: Path) -> None:
    found = status(Ledger.create(tmp_path / "store").snapshot())
    assert (found["version"], found["committed_at"], found["pumps"], found["sources"]) == (0, None, 0, {})
    assert set(found["rows"].values()) == {0}
