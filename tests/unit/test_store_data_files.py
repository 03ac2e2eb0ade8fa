"""Data files of one write: every row once, in its partition's files, and none left after a failure."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from dripledger.store import data_files
from dripledger.store.data_files import DataFiles

SCHEMA = pa.schema(
    [pa.field("event_id", pa.int64(), nullable=False), ("text", pa.string()), ("month", pa.string())]
)


def batch(ids: list[int], months: list[str]) -> pa.RecordBatch:
    return pa.RecordBatch.from_arrays(
        [pa.array(ids, pa.int64()), pa.array([f"<{i}>" for i in ids]), pa.array(months)], schema=SCHEMA
    )


def read(folder: Path) -> list[tuple[int, str, str]]:
    """Every row of every file with the month of its folder."""
    found = []
    for path in sorted(folder.rglob("*.parquet")):
        for row in pq.ParquetFile(path).read().to_pylist():
            assert set(row) == {"event_id", "text"}, "the partition column stands in the folder's name only"
            found.append((row["event_id"], row["text"], path.parent.name.removeprefix("month=")))
    return sorted(found)


@pytest.mark.parametrize("spread", [1, 3, 200])
def test_every_row_comes_back_once_in_its_own_month(
    tmp_path: Path, spread: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # small bounds, so that groups fill, rows are pushed out and files are closed and followed by others
    monkeypatch.setattr(data_files, "_GROUP_ROWS", 70)
    monkeypatch.setattr(data_files, "_WAITING_BYTES", 8_000)
    monkeypatch.setattr(data_files, "_OPEN_FILES", 4)
    names = [f"{2000 + n // 12}-{n % 12 + 1:02}" for n in range(spread)]
    months = np.random.Generator(np.random.PCG64(7)).choice(names, 5_000)
    given = [(i, f"<{i}>", str(m)) for i, m in enumerate(months)]
    with DataFiles(tmp_path, SCHEMA, "month", "v1") as files:
        for start in range(0, len(given), 100):
            part = given[start : start + 100]
            files.add(batch([i for i, _, _ in part], [m for _, _, m in part]))
            held = sum(piece.nbytes for pieces in files._waiting.values() for piece in pieces)
            assert held == sum(files._bytes.values())
            assert held <= 8_000
            assert len(files._open) <= 4
    assert read(tmp_path) == given
    for file in files.written:
        told = pq.ParquetFile(tmp_path / file.path).metadata
        assert told.num_rows == file.rows
        assert file.path.startswith(f"month={file.partition}/v1-")
    assert sum(file.rows for file in files.written) == len(given)


def test_a_table_without_partitions_is_one_file(tmp_path: Path) -> None:
    with DataFiles(tmp_path, SCHEMA, None, "v1") as files:
        files.add(batch([1, 2], ["2026-01", "2026-02"]))
        files.add(batch([3], ["2026-01"]))
    assert files.written == [data_files.DataFile("v1-00000.parquet", None, 3)]
    assert pq.ParquetFile(tmp_path / "v1-00000.parquet").read().column("event_id").to_pylist() == [1, 2, 3]


def test_nothing_written_makes_no_file(tmp_path: Path) -> None:
    with DataFiles(tmp_path, SCHEMA, "month", "v1") as files:
        files.add(batch([], []))
    assert files.written == []
    assert read(tmp_path) == []


def test_an_error_takes_back_every_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(data_files, "_GROUP_ROWS", 1)
    monkeypatch.setattr(data_files, "_OPEN_FILES", 1)
    (tmp_path / "month=2026-01").mkdir()
    other = tmp_path / "month=2026-01" / "v0-00000.parquet"
    other.write_bytes(b"of an earlier write")

    def broken_off() -> None:
        with DataFiles(tmp_path, SCHEMA, "month", "v1") as files:
            files.add(batch([1, 2], ["2026-01", "2026-02"]))
            assert len(list(tmp_path.rglob("v1-*.parquet"))) == 2
            raise RuntimeError("on the way")

    with pytest.raises(RuntimeError, match="on the way"):
        broken_off()
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == [other]


def test_a_file_that_cannot_be_made_takes_back_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(data_files, "_GROUP_ROWS", 1)
    (tmp_path / "month=2026-02").write_bytes(b"in the way")
    with pytest.raises(OSError, match="2026-02"), DataFiles(tmp_path, SCHEMA, "month", "v1") as files:
        files.add(batch([1, 2], ["2026-01", "2026-02"]))
    assert list(tmp_path.rglob("*.parquet")) == []


def test_a_file_that_is_there_is_neither_written_over_nor_taken_away(tmp_path: Path) -> None:
    there = tmp_path / "v1-00000.parquet"
    there.write_bytes(b"of another writer")
    with pytest.raises(FileExistsError), DataFiles(tmp_path, SCHEMA, None, "v1") as files:
        files.add(batch([1, 2], ["2026-01", "2026-02"]))
    assert there.read_bytes() == b"of another writer"


def test_only_what_a_reader_skips_by_has_its_extremes_written(tmp_path: Path) -> None:
    schema = pa.schema([("pump_id", pa.string()), ("entry", pa.string())])
    with DataFiles(tmp_path, schema, None, "v1") as files:
        files.add(pa.RecordBatch.from_pydict({"pump_id": ["P1", "P2"], "entry": ["A", "B"]}, schema=schema))
    group = pq.ParquetFile(tmp_path / "v1-00000.parquet").metadata.row_group(0)
    assert group.column(0).statistics.max == "P2"
    assert group.column(1).statistics is None


def test_a_stray_row_of_another_month_does_not_hold_its_whole_batch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = 5_000
    monkeypatch.setattr(data_files, "_GROUP_ROWS", rows)
    months = ["2026-01", *["2026-02"] * (rows - 1)]
    one = batch(list(range(rows)), months).get_total_buffer_size()
    with DataFiles(tmp_path, SCHEMA, "month", "v1") as files:
        for start in range(0, 20 * rows, rows):
            files.add(batch(list(range(start, start + rows)), months))
        assert files._rows["2026-01"] == 20
        held = sum(part.get_total_buffer_size() for part in files._waiting["2026-01"])
    assert held < one
    assert len(read(tmp_path)) == 20 * rows


def test_text_given_with_a_dictionary_is_written_as_text(tmp_path: Path) -> None:
    schema = pa.schema([("event_id", pa.int64()), ("ward", pa.dictionary(pa.int32(), pa.string()))])
    with DataFiles(tmp_path, schema, None, "v1") as files:
        # each batch with a dictionary of its own
        for ids, wards in (([1, 2], ["A", None]), ([3, 4], ["B", "A"])):
            column = pa.array(wards, pa.string()).dictionary_encode()
            files.add(pa.RecordBatch.from_arrays([pa.array(ids), column], schema=schema))
    # `parquet` as the file has it, without what Arrow might add of its own
    found = pq.ParquetFile(tmp_path / "v1-00000.parquet").read()
    assert found.schema.field("ward").type == pa.string()
    assert found.column("ward").to_pylist() == ["A", None, "B", "A"]
