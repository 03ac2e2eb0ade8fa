"""Read-only SQL over one version of the store, closed: one SELECT, no file, no setting.

Several fences stand one behind the other, because any one of them has been seen to have a gap: the text must
parse as exactly one statement of type SELECT, its parse tree may name only the store's tables and a short
list of table functions, and the connection itself can open nothing but the data files of this version.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

import duckdb
import pyarrow as pa

from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.store.layout import spill_folder
from dripledger.store.snapshot import ALL_TABLES, Snapshot, quoted

#: Functions that may stand where a table stands: they make rows from their arguments and from nothing else.
TABLE_FUNCTIONS: Final = frozenset({"range", "generate_series", "unnest", "json_each", "json_tree"})
_READING: Final = frozenset({"SELECT_NODE", "SET_OPERATION_NODE", "RECURSIVE_CTE_NODE", "CTE_NODE"})
#: Scalar functions that write to, or read from, the engine's own rooms instead of computing, and those that
#: make one text of any length: the engine's memory limit does not count it.
REFUSED_FUNCTIONS: Final = frozenset({
    "write_log", "current_setting", "getvariable", "getenv", "repeat", "lpad", "rpad",
})  # fmt: skip
#: Rows that are held in memory at once; a longer answer is streamed.
MOST_ROWS: Final = 100_000
#: Bytes that are held in memory at once.
MOST_BYTES: Final = 256 * 1024**2
_BATCH_ROWS: Final = 8192
_WHERE: Final = "query"


def query(
    snapshot: Snapshot,
    sql: str,
    extra: Mapping[str, pa.Table] | None = None,
    *,
    memory_limit_bytes: int | None = None,
    most_rows: int | None = None,
    most_bytes: int | None = None,
) -> pa.Table:
    """Answer one SELECT over the tables of one store version.

    Parameters
    ----------
    snapshot
        The version to read.
    sql
        One SELECT.
    extra
        Tables beside the store's: name -> rows.
    memory_limit_bytes
        Memory limit; default: the engine's.
    most_rows, most_bytes
        Refuse a longer answer, and read no further than that; None: no limit.

    Returns
    -------
    pa.Table
        The result.

    Raises
    ------
    UsageError
        If the text is not exactly one SELECT, reads anything but the tables, or its answer is too long.
    """
    with stream_query(snapshot, sql, extra, memory_limit_bytes=memory_limit_bytes) as answer:
        batches: list[pa.RecordBatch] = []
        rows = size = 0
        for batch in answer:
            rows += batch.num_rows
            size += batch.nbytes
            too_long = most_rows is not None and rows > most_rows
            if too_long or (most_bytes is not None and size > most_bytes):
                limit = f"{most_rows} rows" if too_long else f"{(most_bytes or 0) // 1024**2} MiB"
                raise UsageError(
                    f"the answer is longer than {limit}",
                    where=_WHERE,
                    do="Add a limit, or write it to a file with --format csv or --format parquet, which "
                    "take any length",
                )
            batches.append(batch)
        return pa.Table.from_batches(batches, answer.schema)


@contextlib.contextmanager
def stream_query(
    snapshot: Snapshot,
    sql: str,
    extra: Mapping[str, pa.Table] | None = None,
    *,
    memory_limit_bytes: int | None = None,
) -> Iterator[pa.RecordBatchReader]:
    """Answer one SELECT batch by batch, so that an answer of any length takes little memory.

    Parameters and errors are those of `query`; errors of the engine while batches are read are told the same
    way, as long as they are read inside the block.

    Yields
    ------
    pa.RecordBatchReader
        The answer; to be read inside the block.
    """
    extra = extra or {}
    with spill_folder(snapshot.root, "query") as spill:
        con = connect(spill, memory_limit_bytes=memory_limit_bytes)
        try:
            named = _check(con, sql, {*ALL_TABLES, *extra})
            # to open every table takes longer than most queries do
            tables = [name for name in ALL_TABLES if name in named]
            snapshot.attach(con, tables)
            for name, table in extra.items():
                con.register(name, table)
            files = [path for name in tables for path in snapshot.files(name)]
            _close(con, files)
            yield con.sql(sql).to_arrow_reader(_BATCH_ROWS)
        except duckdb.OutOfMemoryException:
            raise _too_much_memory() from None
        except duckdb.Error as error:
            raise UsageError(_plain(str(error)), where=_WHERE) from None
        except (pa.ArrowException, OSError) as error:
            # Arrow wraps what the engine says while batches are read; what the system says has a number
            if getattr(error, "errno", None) is not None or " Error: " not in str(error):
                raise
            if "Out of Memory Error" in str(error):
                raise _too_much_memory() from None
            raise UsageError(_plain(str(error)), where=_WHERE) from None
        finally:
            con.close()


def _too_much_memory() -> UsageError:
    return UsageError(
        "the query needs more memory than it may have",
        where=_WHERE,
        do="Narrow it, for instance to fewer months or columns",
    )


def _close(con: duckdb.DuckDBPyConnection, files: list[str]) -> None:
    """Leave a connection that can read these files and nothing else, and cannot be opened again."""
    con.execute("set python_enable_replacements = false")
    con.execute(f"set allowed_paths = [{', '.join(quoted(path) for path in files)}]")
    con.execute("set enable_external_access = false")
    con.execute("set lock_configuration = true")


def _check(con: duckdb.DuckDBPyConnection, sql: str, known: set[str]) -> set[str]:
    """Refuse all but one SELECT over known tables; return which of them it may read, in small letters."""
    try:
        statements = con.extract_statements(sql)
    except duckdb.Error as error:
        raise UsageError(_plain(str(error)), where=_WHERE) from None
    if len(statements) != 1:
        raise UsageError(
            "the text is empty" if not statements else f"there are {len(statements)} statements",
            where=_WHERE,
            do="Give exactly one SELECT",
        )
    try:
        kind = statements[0].type
    except ValueError:
        # the engine has kinds of statement that its Python package cannot name
        kind = None
    if kind != duckdb.StatementType.SELECT:
        told = "another type than SELECT" if kind is None else f"type {kind.name}"
        raise UsageError(
            f"this is a statement of {told}, and the store is read-only here",
            where=_WHERE,
            do="Give exactly one SELECT",
        )
    row = con.execute("select json_serialize_sql(?::varchar)", [statements[0].query]).fetchall()[0]
    tree = json.loads(row[0])
    if tree.get("error"):
        raise UsageError(
            f"only a plain SELECT is answered here: {_plain(str(tree.get('error_message', '')))}",
            where=_WHERE,
        )
    names = {name.lower() for name in known}
    _walk(tree, names | _ctes(tree), names)
    words = _words(tree)
    # the engine's own list of tables names all of them
    return names if "information_schema" in words else names & words


def _words(node: Any) -> set[str]:
    """Return every text in a parse tree, in small letters: among them the names of what is read."""
    if isinstance(node, str):
        return {node.lower()}
    values = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    return {word for value in values for word in _words(value)}


def _ctes(node: Any) -> set[str]:
    found: set[str] = set()
    if isinstance(node, dict):
        entries = node.get("cte_map")
        if isinstance(entries, dict):
            found |= {entry["key"].lower() for entry in entries.get("map", [])}
        if isinstance(node.get("cte_name"), str):
            found.add(node["cte_name"].lower())
        for value in node.values():
            found |= _ctes(value)
    elif isinstance(node, list):
        for value in node:
            found |= _ctes(value)
    return found


def _walk(node: Any, names: set[str], tables: set[str]) -> None:
    if isinstance(node, list):
        for value in node:
            _walk(value, names, tables)
    if not isinstance(node, dict):
        return
    kind = node.get("type")
    if isinstance(kind, str) and kind.endswith("_NODE") and kind not in _READING:
        # a WITH may hold an INSERT or another statement, and the whole still counts as a SELECT
        raise UsageError("only a plain SELECT is answered here", where=_WHERE, do="Give exactly one SELECT")
    if kind == "BASE_TABLE":
        schema = str(node.get("schema_name") or "").lower()
        name = str(node.get("table_name") or "")
        inside = schema in ("", "temp", "main") and name.lower() in names
        if not inside and schema != "information_schema":
            raise UsageError(
                f"there is no table {name!r}",
                where=_WHERE,
                do=f"The tables are {', '.join(sorted(tables))}",
            )
    elif kind == "TABLE_FUNCTION":
        name = str((node.get("function") or {}).get("function_name", "")).lower()
        if name not in TABLE_FUNCTIONS:
            raise UsageError(
                f"{name}() may not be called here: a query reads the tables of the store and nothing else",
                where=_WHERE,
            )
    elif kind == "FUNCTION" or node.get("class") == "FUNCTION":
        name = str(node.get("function_name", "")).lower()
        if name in REFUSED_FUNCTIONS:
            raise UsageError(
                f"the function {name}() may not be called here: a query computes from the tables of the "
                "store and nothing else",
                where=_WHERE,
            )
    for value in node.values():
        _walk(value, names, tables)


def _plain(text: str) -> str:
    """Take the engine's message without its class name, its picture of the place, and its full stop."""
    first = text.strip().split("\n\n")[0].replace("\n", " ")
    return re.sub(r"^[A-Z][A-Za-z ]+ Error: ", "", first).rstrip(".")
