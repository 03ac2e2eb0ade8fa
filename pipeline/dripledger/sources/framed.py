"""Staging from originals, frame by frame in memory: for what the engine cannot read where it lies."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from types import TracebackType
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from dripledger.sources.mapping import Mapping
from dripledger.sources.one_pass import Frame
from dripledger.sources.staging import SourceFile, Staged, StagingRoom, quoted

BATCH_ROWS = 50_000


def frames_of(file: SourceFile, only: Sequence[int] | None) -> Iterator[tuple[Frame, frozenset[int] | None]]:
    """Yield the frames that hold wanted records, each with the numbers wanted of it (None: all)."""
    for frame in file.original.frames:
        if not frame.records:
            continue
        if only is None:
            yield frame, None
            continue
        keep = frozenset(n for n in only if frame.record <= n < frame.record + frame.records)
        if keep:
            yield frame, keep


class PartWriter:
    """Writes staged rows of one file, one row a record; every value is trimmed, and keyed where it has to be.

    Parameters
    ----------
    room, mapping, staged, file
        As for `staging.stage`; the SELECT over what was written is added to `staged` at the end.
    """

    def __init__(self, room: StagingRoom, mapping: Mapping, staged: Staged, file: SourceFile) -> None:
        self._room, self._mapping, self._staged, self._file = room, mapping, staged, file
        self._part = room.part()
        names = list(staged.columns.values())
        self._schema = pa.schema([("record", pa.int64()), *((name, pa.string()) for name in names)])
        self._writer = pq.ParquetWriter(self._part, self._schema, compression="lz4", write_statistics=False)

    def __enter__(self) -> PartWriter:
        return self

    def add(self, numbers: Any, columns: Sequence[Any]) -> None:
        """Write some rows.

        Parameters
        ----------
        numbers
            Their record numbers.
        columns
            One text column a staged column, in order; None: nothing is logged.
        """
        told = pa.array(numbers, pa.int64())
        if not len(told):
            return
        ready: list[pa.Array] = [told]
        for raw, column in zip(self._staged.columns, columns, strict=True):
            ready.append(self._ready(raw, column, len(told)))
        self._writer.write_batch(pa.RecordBatch.from_arrays(ready, schema=self._schema))

    def _ready(self, raw: str, column: Any, rows: int) -> pa.Array:
        if column is None:
            return pa.nulls(rows, pa.string())
        if isinstance(column, pa.ChunkedArray):
            column = column.combine_chunks()
        column = pc.utf8_trim(column, characters=" \t")
        column = pc.if_else(pc.equal(column, ""), pa.scalar(None, pa.string()), column)
        function = self._mapping.keying(raw)
        if function is not None and self._room.pseudonyms is not None:
            column = self._room.pseudonyms.column(column, function)
        return column

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._writer.close()
        if kind is None:
            names = "".join(f", {c}" for c in self._staged.columns.values())
            self._staged.selects.append(
                f"select {self._file.number} as file_no, record, 0 as elem{names} "
                f"from read_parquet({quoted(str(self._part))})"
            )
