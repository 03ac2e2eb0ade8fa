"""The queries in ``sql/``: one file is one SELECT, its stem is the relation it makes.

Each file opens with a header of ``-- key: text`` lines, `title` and `grain` at least. The build order is
computed from what each file reads, never kept by hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import duckdb

from dripledger.errors import ConfigurationError

_HEADER = re.compile(r"^-- (\w+): (.+)$")
#: What names no relation: comments and texts.
_NOISE = re.compile(r"--[^\n]*|'(?:[^']|'')*'")
_SOURCE = re.compile(r'(?<!distinct )\b(?:from|join)\s+"?(\w+)"?(?!\w|\s*[(.])', re.IGNORECASE)
_CTE = re.compile(r"\b(\w+)(?:\s*\([\w\s,]*\))?\s+as\s+(?:(?:not\s+)?materialized\s+)?\(", re.IGNORECASE)


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


def tables_read(select: str) -> frozenset[str]:
    """Return the names that a SELECT reads from, its CTEs' names taken away.

    Told from the text alone: a parser would take longer than a small build does. It says at least what
    DuckDB's parser says (a test holds that), and may add a column, as in ``extract(year from at)``.
    """
    text = _NOISE.sub(" ", select)
    return frozenset(_SOURCE.findall(text)) - frozenset(_CTE.findall(text))


@cache
def load_sql_files(room: str) -> dict[str, SqlFile]:
    """Read all SQL files of one room (a folder below ``sql/``): relation name -> file."""
    files: dict[str, SqlFile] = {}
    for path in sorted((sql_folder() / room).glob("*.sql")):
        text = path.read_text(encoding="utf-8")
        header: dict[str, str] = {}
        for line in text.splitlines():
            match = _HEADER.match(line)
            if match is None:
                break
            header[match[1]] = match[2]
        files[path.stem] = SqlFile(path.stem, path, header, text, tables_read(text))
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
