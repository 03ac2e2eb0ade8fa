"""Stages device messages: originals in, one row a message out; what a mapping keys is keyed on the way."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from collections.abc import Mapping as Map
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq

from dripledger.sources.hl7.fields import PLACES, Row
from dripledger.sources.hl7.message import NO_MESSAGE, MessageReader, read_block
from dripledger.sources.hl7.splitter import LONGEST_MESSAGE_BYTES, MessageSplitter
from dripledger.sources.mapping import Mapping
from dripledger.sources.originals import read_text
from dripledger.sources.staging import SourceFile, Staged, StagingRoom, quoted

_BATCH_ROWS: Final = 5_000


def columns_of(rows: Sequence[Row], names: Sequence[str]) -> list[pa.Array]:
    """Return raw fields of some rows as Arrow text columns."""
    return [pa.array([row[at] for row in rows], pa.string()) for at in (PLACES[name] for name in names)]


def stage(
    room: StagingRoom,
    mapping: Mapping,
    files: Sequence[SourceFile],
    only: Map[int, Sequence[int]] | None = None,
) -> Staged:
    """Stage files of device messages; see `staging.stage`."""
    names = mapping.raw_fields()
    staged = Staged({name: f"f{place}" for place, name in enumerate(names)})
    for file in files:
        if file.original.records:
            _stage_file(room, mapping, file, staged, None if only is None else frozenset(only[file.number]))
    return staged


def _stage_file(
    room: StagingRoom, mapping: Mapping, file: SourceFile, staged: Staged, wanted: frozenset[int] | None
) -> None:
    schema = pa.schema([("record", pa.int64()), *((c, pa.string()) for c in staged.columns.values())])
    part = room.part()
    numbers: list[int] = []
    rows: list[Row] = []

    def batch() -> pa.RecordBatch:
        columns: list[pa.Array] = [pa.array(numbers, pa.int64())]
        for name, column in zip(staged.columns, columns_of(rows, list(staged.columns)), strict=True):
            function = mapping.keying(name)
            if function is not None and room.pseudonyms is not None:
                column = room.pseudonyms.column(column, function)
            columns.append(column)
        return pa.RecordBatch.from_arrays(columns, schema=schema)

    with pq.ParquetWriter(part, schema, compression="lz4", write_statistics=False) as writer:
        for number, told in _records(file, wanted):
            if isinstance(told, str):
                staged.unsplit.append((file.number, number, told))
                continue
            numbers.append(number)
            rows.append(told)
            if len(rows) == _BATCH_ROWS:
                writer.write_batch(batch())
                numbers, rows = [], []
        if rows:
            writer.write_batch(batch())
    picks = "".join(f", {c}" for c in staged.columns.values())
    staged.selects.append(
        f"select {file.number} as file_no, record, 0 as elem{picks} from read_parquet({quoted(str(part))})"
    )


def _records(file: SourceFile, wanted: frozenset[int] | None) -> Iterator[tuple[int, Row | str]]:
    """Yield (record number, row or why it cannot be split) of the wanted records, or of all."""
    readers: dict[str, MessageReader | None] = {}
    original = file.original
    for frame in original.frames:
        if not frame.records or (
            wanted is not None and not any(frame.record <= n < frame.record + frame.records for n in wanted)
        ):
            continue
        block = read_text(original, frame)
        too_long: frozenset[int] = frozenset()
        if len(block) >= LONGEST_MESSAGE_BYTES:
            cut = MessageSplitter().split(block)
            too_long = frozenset(place for place, record in enumerate(cut) if record.fields is None)
        text = block.decode("utf-8", "replace")
        for place, told in enumerate(read_block(text, readers)):
            number = frame.record + place
            if wanted is not None and number not in wanted:
                continue
            if number == original.bad_utf8_record:
                yield number, "cut_inside_character"
            else:
                yield number, NO_MESSAGE if place in too_long else told
