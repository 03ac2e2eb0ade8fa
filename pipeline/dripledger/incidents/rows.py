"""Rows of a query as mappings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeAlias

import duckdb

Row: TypeAlias = dict[str, Any]


def fetch(con: duckdb.DuckDBPyConnection, sql: str, parameters: Sequence[object] = ()) -> list[Row]:
    """Return the rows of a query as mappings."""
    cursor = con.execute(sql, list(parameters))
    names = [item[0] for item in cursor.description or ()]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
