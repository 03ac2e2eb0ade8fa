"""One DuckDB for all small questions of the tests: to open one takes longer than most of them."""

from __future__ import annotations

from functools import lru_cache
from itertools import count
from typing import Final

import duckdb

from dripledger.engine import connect

#: So many questions later the database is another: one that has seen a hundred is a fifth slower.
_LASTS: Final = 20
_asked = count()


@lru_cache(maxsize=1)
def _database(number: int) -> duckdb.DuckDBPyConnection:
    # one thread: tests run side by side, one a core, and a question of a few rows would wait for its others
    con = connect(threads=1)
    # a test may damage a file that was read a moment ago
    con.execute("set enable_external_file_cache = false")
    return con


def connection() -> duckdb.DuckDBPyConnection:
    """Return a connection of its own, to be closed; temporary tables and views stand only there."""
    number = next(_asked) // _LASTS
    con = _database(number).cursor()
    con.execute("set TimeZone = 'UTC'")
    return con
