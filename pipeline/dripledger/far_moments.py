"""Moments that Python has no date for, such as a clock's year 0: shown as text, for they were logged so."""

from __future__ import annotations

from typing import Any

import pyarrow as pa


def as_texts(batch: pa.RecordBatch) -> pa.RecordBatch:
    """Return a batch in which columns that hold such a moment are text.

    Parameters
    ----------
    batch
        Rows that `to_pylist` cannot give.

    Returns
    -------
    pa.RecordBatch
        The same rows; instants in these columns are UTC and end with ``Z``.
    """
    columns = [column if _is_near(column) else _texts(column) for column in batch.columns]
    return pa.RecordBatch.from_arrays(columns, batch.schema.names)


def _is_near(column: pa.Array) -> bool:
    if not (pa.types.is_timestamp(column.type) or pa.types.is_date(column.type)):
        return True
    try:
        column.to_pylist()
    except (OverflowError, ValueError):
        return False
    return True


def _texts(column: pa.Array) -> pa.Array:
    if not pa.types.is_timestamp(column.type):
        return column.cast(pa.string())
    # the cast of a zoned column would ask the zone's table for years that it does not know
    plain = column.cast(pa.int64()).cast(pa.timestamp(column.type.unit)).cast(pa.string())
    ending = "" if column.type.tz is None else "Z"
    return pa.array([None if text is None else text + ending for text in plain.to_pylist()], pa.string())


def rows_of(batch: pa.RecordBatch) -> list[dict[str, Any]]:
    """Return the rows of a batch as Python values; a moment that Python cannot hold as text."""
    try:
        return batch.to_pylist()  # type: ignore[no-any-return]
    except (OverflowError, ValueError):
        return as_texts(batch).to_pylist()  # type: ignore[no-any-return]
