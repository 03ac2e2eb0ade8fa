"""What a query reads is told from its text; DuckDB's own parser has to agree, query by query."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest

from dripledger.engine import load_sql_files, sql_folder
from dripledger.engine.sqlfiles import tables_read

ROOMS = sorted(path.name for path in sql_folder().iterdir() if any(path.glob("*.sql")))


def _names(node: Any, tables: set[str], ctes: set[str]) -> None:
    if isinstance(node, dict):
        if node.get("type") == "BASE_TABLE":
            tables.add(node["table_name"])
        if isinstance(node.get("cte_map"), dict):
            ctes.update(entry["key"] for entry in node["cte_map"].get("map", []))
        node = list(node.values())
    if isinstance(node, list):
        for value in node:
            _names(value, tables, ctes)


@pytest.fixture(scope="module")
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect(":memory:") as con:
        yield con


def parsed(con: duckdb.DuckDBPyConnection, text: str) -> set[str]:
    """Return the relations that DuckDB finds in one SELECT."""
    ((told,),) = con.execute("select json_serialize_sql(?::varchar)", [text.strip().rstrip(";")]).fetchall()
    tree = json.loads(told)
    assert not tree["error"], tree
    tables: set[str] = set()
    ctes: set[str] = set()
    _names(tree, tables, ctes)
    return tables - ctes


@pytest.mark.parametrize("room", ROOMS)
def test_the_parser_finds_the_same_relations(con: duckdb.DuckDBPyConnection, room: str) -> None:
    files = load_sql_files(room)
    for file in files.values():
        of_parser = parsed(con, file.text)
        assert of_parser <= file.reads, file.path
        # a column in `extract(year from at)` may look like one, but must not be taken for a file
        assert (file.reads - of_parser).isdisjoint(files), file.path


def test_what_names_no_relation(con: duckdb.DuckDBPyConnection) -> None:
    text = """
    -- from a comment
    with step as (select * from "events" as e join ignored on true), other as materialized (select 1 as x)
    select 'from text', a is distinct from b from step cross join other join range(3) on true
    """
    assert tables_read(text) == {"events", "ignored"} == parsed(con, text)


def test_a_file_says_what_it_is() -> None:
    for path in Path(sql_folder()).rglob("*.sql"):
        assert {"title", "grain"} <= set(load_sql_files(path.parent.name)[path.stem].header), path
