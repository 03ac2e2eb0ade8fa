"""The few column types of the ledger and what each is called by DuckDB and by Arrow."""

from __future__ import annotations

from enum import Enum

import pyarrow as pa


class ColumnType(Enum):
    """A column's type; the value is its DuckDB name."""

    TEXT = "VARCHAR"
    INTEGER = "BIGINT"
    REAL = "DOUBLE"
    #: Amounts that are summed: exact, so a sum does not depend on its order.
    DECIMAL = "DECIMAL(28,9)"
    BOOLEAN = "BOOLEAN"
    #: An instant, microseconds, UTC.
    INSTANT = "TIMESTAMP WITH TIME ZONE"
    #: A clock reading as it was logged: no zone, microseconds.
    CLOCK = "TIMESTAMP"
    DATE = "DATE"
    TEXT_LIST = "VARCHAR[]"

    @property
    def duckdb(self) -> str:
        """The type's name in DuckDB SQL."""
        return self.value

    @property
    def arrow(self) -> pa.DataType:
        """The type in Arrow."""
        return _ARROW[self]


_ARROW: dict[ColumnType, pa.DataType] = {
    ColumnType.TEXT: pa.string(),
    ColumnType.INTEGER: pa.int64(),
    ColumnType.REAL: pa.float64(),
    ColumnType.DECIMAL: pa.decimal128(28, 9),
    ColumnType.BOOLEAN: pa.bool_(),
    ColumnType.INSTANT: pa.timestamp("us", tz="UTC"),
    ColumnType.CLOCK: pa.timestamp("us"),
    ColumnType.DATE: pa.date32(),
    ColumnType.TEXT_LIST: pa.list_(pa.string()),
}
