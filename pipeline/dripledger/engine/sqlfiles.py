"""The queries in ``sql/``: one file is one SELECT, its stem is the relation it makes.

Each file opens with a header of ``-- key: text`` lines, `title` and `grain` at least. The build order is
computed from what each file reads, never kept by hand.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import Any

import duckdb

from dripledger.errors import ConfigurationError

_HEADER = re.compile(r"^-- (\w+): (.+)$")


@dataclass(frozen=True, slots=True)
class SqlFile:
    """One SQL file: the relation it makes, its header and its text."""

    name: str
    path: Path
    header: Mapping[str, str]
    text: str
    reads: frozenset[str]


def sql_folder() -> Path:
    """Return the folder with the product's queries: inside the wheel, else in the checkout."""
    package = Path(__file__).resolve().parents[1]
    shipped = package / "_sql"
    return shipped if shipped.is_dir() else package.parents[1] / "sql"


def _base_tables(node: Any, out: set[str], ctes: set[str]) -> None:
    if isinstance(node, dict):
        if node.get("type") == "BASE_TABLE":
            out.add(node["table_name"])
        for entry in (
            (node.get("cte_map") or {}).get("map", []) if isinstance(node.get("cte_map"), dict) else []
        ):
            ctes.add(entry["key"])
        for value in node.values():
            _base_tables(value, out, ctes)
    elif isinstance(node, list):
        for value in node:
            _base_tables(value, out, ctes)


def tables_read(con: duckdb.DuckDBPyConnection, select: str) -> frozenset[str]:
    """Return the base relations that a SELECT reads (its CTEs' names taken away)."""
    row = con.execute("select json_serialize_sql(?::varchar)", [select]).fetchall()[0]
    tree = json.loads(row[0])
    if tree.get("error"):
        raise ConfigurationError(tree.get("error_message", "not a SELECT"))
    found: set[str] = set()
    ctes: set[str] = set()
    _base_tables(tree, found, ctes)
    return frozenset(found - ctes)


@cache
def load_sql_files(room: str) -> dict[str, SqlFile]:
    """Read all SQL files of one room (a folder below ``sql/``): relation name -> file."""
    con = duckdb.connect(":memory:", config={"autoinstall_known_extensions": False})
    files: dict[str, SqlFile] = {}
    for path in sorted((sql_folder() / room).glob("*.sql")):
        text = path.read_text(encoding="utf-8")
        header: dict[str, str] = {}
        for line in text.splitlines():
            match = _HEADER.match(line)
            if match is None:
                break
            header[match[1]] = match[2]
        try:
            reads = tables_read(con, text.strip().rstrip(";"))
        except ConfigurationError as error:
            raise ConfigurationError(f"cannot be parsed as one SELECT: {error.what}", where=path) from None
        files[path.stem] = SqlFile(path.stem, path, header, text, reads)
    con.close()
    return files


def build_order(files: Mapping[str, SqlFile], wanted: Iterable[str] | None = None) -> list[SqlFile]:
    """Return the files in an order in which each can be built; only what `wanted` needs, if given."""
    graph = {name: {r for r in file.reads if r in files and r != name} for name, file in files.items()}
    try:
        order = [files[name] for name in TopologicalSorter(dict(sorted(graph.items()))).static_order()]
    except CycleError as error:
        raise ConfigurationError(f"the SQL files read each other in a circle: {error.args[1]}") from None
    if wanted is None:
        return order
    needed: set[str] = set()
    todo = list(wanted)
    while todo:
        name = todo.pop()
        if name in files and name not in needed:
            needed.add(name)
            todo.extend(graph[name])
    return [file for file in order if file.name in needed]


def build_relations(
    con: duckdb.DuckDBPyConnection,
    room: str,
    wanted: Iterable[str] | None = None,
    *,
    as_views: Iterable[str] = (),
) -> list[str]:
    """Make the relations of one room as temporary tables, in the order that follows from what they read.

    Parameters
    ----------
    con
        Connection in which the room's inputs stand already.
    room
        Folder below ``sql/``.
    wanted
        Build only these relations and what they need; default: all.
    as_views
        Relations to make as views instead of tables.

    Returns
    -------
    list of str
        Names of the relations made, in order.
    """
    views = set(as_views)
    made = []
    for file in build_order(load_sql_files(room), wanted):
        kind = "view" if file.name in views else "table"
        con.execute(f'create or replace temp {kind} "{file.name}" as\n{file.text.strip().rstrip(";")}')
        made.append(file.name)
    return made
