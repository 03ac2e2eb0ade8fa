"""What a person types is not code: every kind of statement and every function that the engine lists, tried.

The lists come from the engine itself, so that a newer engine's functions are tried too.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
from tests.event_samples import HEADER, WARDS, drop, make_site, read, rows
from tests.store_samples import commit_events

from dripledger.engine import connect
from dripledger.errors import ConfigurationError, UsageError
from dripledger.sources.expressions import FUNCTIONS, columns_read, rewrite
from dripledger.store import Ledger, Snapshot, query
from dripledger.store.query import TABLE_FUNCTIONS

# the package gives the function under the module's name
query_room: Any = importlib.import_module("dripledger.store.query")

SECRET = "what-no-query-may-read"

#: One text or more for each kind of statement that the engine's Python package names. OWN is a data file of
#: the store, OUT a path where nothing lies, HIDDEN a file outside the store.
STATEMENTS: dict[str, tuple[str, ...]] = {
    "INSERT": ("insert into events select * from events", "insert into events by name select 1 as pump_id"),
    "UPDATE": ("update events set pump_id = 'x'",),
    "CREATE": (
        "create table t as select 1",
        "create or replace table events as select 1",
        "create view v as select 1",
        "create or replace view events as select * from events limit 1",
        "create or replace temp view events as select 1 as pump_id",
        "create schema s",
        "create sequence s",
        "create type t as enum ('a')",
        "create index i on events (pump_id)",
        "create macro f() as 1",
        "create or replace temp macro lower(x) as x",
        "create macro f() as table select * from read_text('HIDDEN')",
        "create secret s (type s3)",
    ),
    "DELETE": ("delete from events", "truncate events"),
    "PREPARE": ("prepare p as select 1",),
    "EXECUTE": ("execute p",),
    "ALTER": ("alter view events rename to e", "alter table events add column x int"),
    "TRANSACTION": ("begin", "commit", "rollback", "begin transaction read only"),
    "COPY": (
        "copy (select 1) to 'OWN'",
        "copy (select 1) to 'OWN' (format parquet)",
        "copy (select * from events limit 0) to 'OWN' (format parquet, overwrite_or_ignore)",
        "copy events to 'OUT'",
        "copy events to 'OUT' (format parquet, partition_by (month))",
        "copy events from 'HIDDEN'",
    ),
    "ANALYZE": ("analyze",),
    "VARIABLE_SET": ("set variable x = 1", "set variable x = (select content from read_text('HIDDEN'))"),
    "CREATE_FUNC": ("create function f() as 1", "create function f() as table select 1"),
    "EXPLAIN": ("explain select 1", "explain analyze select * from events", "explain copy events to 'OUT'"),
    "DROP": ("drop view events", "drop view if exists events", "drop schema main cascade"),
    "EXPORT": ("export database 'OUT'", "import database 'OUT'"),
    "PRAGMA": ("pragma version", "pragma database_list", "pragma show_tables", "pragma threads = 1"),
    "VACUUM": ("vacuum", "vacuum analyze", "checkpoint", "force checkpoint"),
    "CALL": ("call pragma_version()", "call enable_logging()", "call duckdb_settings()"),
    "SET": (
        "set memory_limit = '100GB'",
        "set enable_external_access = true",
        "set lock_configuration = false",
        "set allowed_paths = ['HIDDEN']",
        "set global temp_directory = 'OUT'",
        "reset memory_limit",
        "use memory",
    ),
    "LOAD": ("load json", "install httpfs", "force install httpfs", "update extensions"),
    "EXTENSION": ("install json from 'HIDDEN'",),
    "ATTACH": ("attach 'OUT' as other", "attach ':memory:' as other", "attach if not exists 'OUT' as o"),
    "DETACH": ("detach memory",),
    "MULTI": (
        "select 1; select 2",
        "select 1; drop view events",
        "select 1; copy events to 'OUT'",
        "select 1;; set memory_limit = '1GB'",
    ),
    "COPY_DATABASE": ("copy from database memory to other",),
    "MERGE_INTO": ("merge into events using infusions on (true) when matched then delete",),
}
#: Kinds that no text makes.
INTERNAL = {"INVALID", "SELECT", "RELATION", "LOGICAL_PLAN"}
TEXTS = [(kind, text) for kind, texts in STATEMENTS.items() for text in texts]
#: Arguments that a function is called with; P is a file, quoted.
ARGUMENTS = ("", "P", "[P]", "'events'", "'select 1'", "1", "P, P", "1, 2", "*", "(select P)")

#: Where such a call can stand.
PLACES = (
    "from {} limit 1",
    "select * from events, {}",
    "select * from events where exists (select 1 from {})",
    "with x as (select * from {}) select * from x",
    "with recursive x as (select 1 as a union all select a + 1 from x, {}) select * from x",
    "pivot (select * from {}) on pump_id",
    "summarize select * from {}",
    "select * from system.main.{}",
)


def listed(kinds: str) -> list[str]:
    """Return the names of the engine's own functions of some kinds."""
    con = connect()
    try:
        return [
            row[0]
            for row in con.execute(
                f"select distinct function_name from duckdb_functions() where function_type in ({kinds}) "
                "order by 1"
            ).fetchall()
        ]
    finally:
        con.close()


MAKING_ROWS = listed("'table', 'table_macro'")
PRAGMAS = listed("'pragma'")
GROUPING = listed("'aggregate', 'window'")
SCALARS = listed("'scalar', 'macro'")


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory: pytest.TempPathFactory) -> Snapshot:
    root = tmp_path_factory.mktemp("typed") / "store"
    commit_events(root, [1, 2, 3])
    (root.parent / "hidden.txt").write_text(SECRET, encoding="utf-8")
    return Ledger.open(root).snapshot()


def digest(folder: Path) -> dict[str, str]:
    return {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def untouched(snapshot: Snapshot) -> Iterator[Snapshot]:
    """Give the snapshot, and look afterwards whether anything beside or in the store was written."""
    before = digest(snapshot.root.parent)
    yield snapshot
    assert digest(snapshot.root.parent) == before
    assert query(snapshot, "select count(*) as n from events").to_pylist() == [{"n": 3}]


@pytest.fixture
def checking(untouched: Snapshot) -> Iterator[Any]:
    """Give what looks at a query's text, without opening the store for each."""
    con = connect()
    names = {*query_room.ALL_TABLES}
    yield lambda sql: query_room._check(con, sql, names)
    con.close()


def filled_in(snapshot: Snapshot, text: str) -> str:
    places = {
        "OWN": snapshot.files("events")[0],
        "OUT": str(snapshot.root.parent / "out"),
        "HIDDEN": str(snapshot.root.parent / "hidden.txt"),
    }
    for word, path in places.items():
        text = text.replace(word, path)
    return text


def test_every_kind_of_statement_has_a_sample() -> None:
    assert set(duckdb.StatementType.__members__) - INTERNAL == set(STATEMENTS)


def test_no_kind_of_statement_but_select_is_answered(untouched: Snapshot, checking: Any) -> None:
    for kind, text in TEXTS:
        sql = filled_in(untouched, text)
        whole = text == STATEMENTS[kind][0]
        with pytest.raises(UsageError) as caught:
            query(untouched, sql) if whole else checking(sql)
        assert str(caught.value).startswith("query: "), (kind, text)
        assert "\n" not in str(caught.value)


def test_nor_is_one_hidden_in_a_select(checking: Any) -> None:
    for kind, text in TEXTS:
        # one word alone is the name of a column there
        for form in ("with x as ({}) select 1", "select * from ({})", "select ({})")[
            : 3 if " " in text else 2
        ]:
            with pytest.raises(UsageError):
                checking(form.format(text))
            assert kind


def test_every_function_that_makes_rows_is_refused_but_the_plain_ones(checking: Any) -> None:
    assert len(MAKING_ROWS) > 100
    assert set(MAKING_ROWS) >= TABLE_FUNCTIONS
    for name in sorted(set(MAKING_ROWS) - TABLE_FUNCTIONS):
        calls = [f'"{name}"({given.replace("P", repr("/etc/passwd"))})' for given in ARGUMENTS]
        for form in (*(f"select * from {call}" for call in calls[1:]), *(f.format(calls[0]) for f in PLACES)):
            with pytest.raises(UsageError):
                checking(form)


def test_every_pragma_is_refused(checking: Any) -> None:
    assert len(PRAGMAS) > 20
    for name in PRAGMAS:
        for sql in (
            f"pragma {name}",
            f"pragma {name}('events')",
            f"call {name}()",
            f"select * from {name}()",
        ):
            with pytest.raises(UsageError):
                checking(sql)


def test_the_connection_holds_where_the_text_was_not_looked_at(untouched: Snapshot) -> None:
    """Every scalar function, and every reader of files, run on the closed connection: nothing comes out."""
    hidden = str(untouched.root.parent / "hidden.txt")
    con = connect()
    con.execute("set threads = 1")
    untouched.attach(con)
    query_room._close(con, untouched.files("events"))
    tried = answered = 0
    # a pointer made up here would be followed, and waiting is no reading
    left = {"arrow_scan", "arrow_scan_dumb", "python_arrow_scan", "python_map_function", "pandas_scan",
            "seq_scan", "sleep_ms", "repeat", "repeat_row", "enable_profiling", "generate_series", "range",
            "unnest", "test_all_types", "test_vector_types", "write_log"}  # fmt: skip
    calls = [f'select * from "{n}"({a})' for n in MAKING_ROWS if n not in left for a in ("", "P", "[P]")]
    calls += [f'select "{n}"({a})' for n in SCALARS if n not in left for a in ("P", "P, P")]
    for call in calls:
        tried += 1
        with contextlib.suppress(duckdb.Error, RuntimeError, ValueError, OverflowError):
            told = con.execute(call.replace("P", f"'{hidden}'")).fetchmany(50)
            answered += 1
            assert SECRET not in repr(told), call
    assert tried > 900
    assert answered > 100, "the engine refuses nearly everything, so this shows nothing"
    con.close()


def test_names_of_files_are_no_tables(checking: Any, untouched: Snapshot) -> None:
    own = untouched.files("events")[0]
    for name in (
        own,
        "/etc/passwd",
        "x.csv",
        "x.parquet",
        "s3://x/y.parquet",
        "https://x.test/y.csv",
        "*.json",
    ):
        for sql in (
            f"select * from '{name}'",
            f'from "{name}"',
            f'select * from events join "{name}" on true',
        ):
            with pytest.raises(UsageError):
                checking(sql)


def test_a_plain_select_still_works(snapshot: Snapshot) -> None:
    for sql, answer in (
        ("select count(*) as n from events", [{"n": 3}]),
        ("select count(*) as n from events, unnest(unmapped)", [{"n": 6}]),
        ("select unnest([1, 2]) as n", [{"n": 1}, {"n": 2}]),
        ("select ';drop view events' as n -- ; select 2", [{"n": ";drop view events"}]),
    ):
        assert query(snapshot, sql).to_pylist() == answer


def refused(text: str) -> None:
    """Make sure that an expression is refused, with a message on one line."""
    with pytest.raises(ConfigurationError) as caught:
        columns_read(text)
    assert "\n" not in str(caught.value)


def test_no_expression_is_a_statement() -> None:
    for kind, text in TEXTS:
        if " " not in text:
            continue  # it is the name of a field
        for form in (text, f"1; {text}", f"({text})", f"Rate) from ({text}", f"Rate from x; {text} --"):
            refused(form)
        assert kind


def test_no_expression_makes_rows_or_groups_them() -> None:
    allowed = {name.lower() for name in FUNCTIONS}
    for name in sorted({*MAKING_ROWS, *GROUPING, *SCALARS, *PRAGMAS}):
        if name.lower() in allowed:
            continue
        refused(f'Rate || "{name}"(Rate)')
    for name in sorted({*MAKING_ROWS, *PRAGMAS}):
        refused(f'(select 1 from "{name}"())')
        refused(f"""Rate from "{name}"('/etc/passwd')""")


@pytest.mark.parametrize(
    "text",
    [
        "", "  ", "--", "*", "events.*", "columns(*)", "columns('R.*')", "Rate, Time", "Rate as x", "Rate x",
        "(select 1)", "(select max(Rate) from events)", "exists (select 1)", "Rate in (select 1)",
        "Rate = any (select 1)", "unnest([1, 2])", "unnest(Rate)", "count(*)", "max(Rate)",
        "row_number() over ()", "lag(Rate) over (order by Time)", "lower(Rate) filter (where true)",
        "lower(distinct Rate)", "list_transform([1], lambda x: x)", "[x for x in [1]]", "?", "$1", "$name",
        "getvariable('x')", "getenv('HOME')", "current_setting('threads')", "random()", "now()", "uuid()",
        "nextval('s')", "read_text('/etc/passwd')",
        "system.main.lower(Rate)", "main.lower(Rate)", "Rate::enum('a')", "Rate limit 1", "Rate order by 1",
        "Rate where true", "Rate union select 1", "Rate group by all", "Rate qualify true",
        "Rate having true",
        "1) from read_text('/etc/passwd') --", "/* */ 1; select 2", "try(error('x'))", "Rate collate nocase",
        "Rate at time zone 'UTC'",
    ],
)  # fmt: skip
def test_an_expression_is_one_scalar_over_one_record(text: str) -> None:
    refused(text)


def test_a_name_of_the_engine_is_the_name_of_a_field() -> None:
    for name in ("current_date", "current_timestamp", "current_user", "session_user"):
        assert rewrite(name, {name: "f0"}) == "f0"


def test_allowed_functions_compute_from_their_arguments_alone() -> None:
    con = connect()
    unsteady = con.execute(
        "select distinct function_name from duckdb_functions() where function_type = 'scalar' and "
        "(stability = 'VOLATILE' or has_side_effects) and list_contains(?, function_name)",
        [sorted(FUNCTIONS)],
    ).fetchall()
    con.close()
    assert unsteady == []
    assert rewrite('case when Rate > 5 then lower("a\'b") end', {"Rate": "f0", "a'b": "f1"}) == (
        "CASE  WHEN ((f0 > 5)) THEN (lower(f1)) ELSE NULL END"
    )


def test_a_mapping_with_code_in_it_is_refused_before_anything_is_read(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + "P1,2026-10-01 08:00:00,1,START,ICU,Heparin,5,70\n")
    assert read(site).exit_code == 0
    before = digest(site.store)
    for text in (
        "(select content from read_text('/etc/passwd'))",
        "1; drop table base_events",
        "unnest([1])",
    ):
        for bad in (
            WARDS.replace('entry = "Drug"', f'entry = {{ expr = """{text}""" }}'),
            WARDS + f'[[ignore]]\nwhen = """{text}"""\nreason = "x"\n',
        ):
            (site.sources / "wards.toml").write_text(bad, encoding="utf-8")
            with pytest.raises(ConfigurationError, match="is refused"):
                read(site)
            assert digest(site.store) == before


def test_what_a_log_holds_is_no_sql_either(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    texts = [
        "'; drop table events; --",
        '"); copy events to (',
        "$1",
        "{{x}}",
        "%s",
        "select 1",
        "x' or '1'='1",
    ]
    lines = [
        f'P{n},2026-10-01 08:0{n}:00,{n},START,"{text}","{text}",5,70'.replace('""', '"')
        for n, text in enumerate(t.replace('"', '""""') for t in texts)
    ]
    drop(site, "wards.csv", HEADER + "\n".join(lines) + "\n")
    result = read(site)
    assert (result.balanced, result.total("events"), result.total("quarantined")) == (True, len(texts), 0)
    kept = rows(site, "select care_area, entry from events order by sequence")
    assert kept == [(text, text) for text in texts]
