"""Read-only SQL over a store version: what is answered, and everything else refused."""

from __future__ import annotations

import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from tests.store_samples import commit_events, rows

from dripledger.errors import UsageError
from dripledger.schema import TABLES
from dripledger.store import Ledger, Snapshot, query, stream_query


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory: pytest.TempPathFactory) -> Snapshot:
    root = tmp_path_factory.mktemp("a site") / "store"
    commit_events(root, [1, 2, 3])
    with Ledger.open(root).write() as writer:
        writer.append("infusions", rows("infusions", [2, 3, 4]))
        writer.commit(ingest_id="i", declarations=[])
    snapshot = Ledger.open(root).snapshot()
    # the first query of all makes the folder for what does not fit into memory
    query(snapshot, "select 1")
    return snapshot


@pytest.mark.parametrize(
    ("sql", "expected"),
    [
        ("select count(*) as n from events", [{"n": 3}]),
        ("SELECT count(*) AS n FROM Events;", [{"n": 3}]),
        ("from commits select max(version) as v", [{"v": 2}]),
        (
            "with x as (select sequence as s from events) select count(*) as n from x a join x b using (s)",
            [{"n": 3}],
        ),
        (
            "select count(*) as n from events e join infusions i on e.pump_id = i.pump_id",
            [{"n": 2}],
        ),
        (
            "select sequence - lag(sequence) over (order by sequence) as d from events qualify d is not null",
            [{"d": 1}, {"d": 1}],
        ),
        (
            "with recursive t as (select 1 as n union all select n + 1 from t where n < 4) "
            "select sum(n)::bigint as n from t",
            [{"n": 10}],
        ),
        ("select 1 as n union all select 2 order by n", [{"n": 1}, {"n": 2}]),
        ("select (select max(version) from commits) as v from events limit 1", [{"v": 2}]),
        ("select count(*) as n from events, unnest(unmapped)", [{"n": 6}]),
        ("select r as n from range(2) t(r)", [{"n": 0}, {"n": 1}]),
        ("select month as m, count(*) as n from events group by all", [{"m": "2026-10", "n": 3}]),
        ("select v as n from beside", [{"n": 7}]),
        ("select count(*) as n from libraries", [{"n": 0}]),
        ("select count(*) as n from information_schema.tables where table_name = 'events'", [{"n": 1}]),
    ],
)
def test_a_select_is_answered(snapshot: Snapshot, sql: str, expected: list[dict[str, object]]) -> None:
    assert query(snapshot, sql, {"beside": pa.table({"v": [7]})}).to_pylist() == expected


@pytest.mark.parametrize(
    ("sql", "opened"),
    [
        ("select 1", set()),
        ("select count(*) from EVENTS", {"events"}),
        ('select (select max(version) from "commits") from temp.Infusions', {"commits", "infusions"}),
        ("with a as (select * from alarms) select * from a join range(3) on true", {"alarms"}),
        ("select v from beside", set()),
    ],
)
def test_only_what_a_select_names_is_opened(
    snapshot: Snapshot, monkeypatch: pytest.MonkeyPatch, sql: str, opened: set[str]
) -> None:
    """A table of thousands of files that nobody asks for costs nothing."""
    asked: set[str] = set()
    files = Snapshot.files
    monkeypatch.setattr(Snapshot, "files", lambda self, table: asked.add(table) or files(self, table))
    query(snapshot, sql, {"beside": pa.table({"v": [7]})})
    assert asked == opened


@pytest.mark.parametrize(
    "sql",
    [
        # not one SELECT
        "",
        " ; ",
        "-- nothing",
        "select 1; select 2",
        "select 1; drop view events",
        "select",
        "explain select 1",
        "explain analyze select 1",
        # writing and defining
        "create view v as select 1",
        "create or replace view events as select 1",
        "create or replace temp view events as select 1",
        "create table t as select 1",
        "create macro f() as 1",
        "create secret s (type s3)",
        "insert into events select * from events",
        "update events set pump_id = 'x'",
        "delete from events",
        "merge into events using infusions on (true) when matched then delete",
        "drop view events",
        "alter view events rename to e",
        "comment on view events is 'x'",
        "with x as (insert into events select * from events returning pump_id) select * from x",
        "with x as (delete from events returning pump_id) select * from x",
        "with x as (update events set pump_id = 'x' returning pump_id) select * from x",
        # out of the store
        "copy (select 1) to 'OUT'",
        "copy events to 'OUT' (format parquet)",
        "copy events from '/etc/passwd'",
        "with x as (copy (select 1) to 'OUT') select 1",
        "export database 'OUT'",
        "import database 'OUT'",
        "attach 'OUT' as other",
        "attach ':memory:' as other",
        "detach memory",
        "use memory",
        "install httpfs",
        "load json",
        "force install httpfs",
        # reading files
        "select * from read_csv('/etc/passwd')",
        "select * from read_csv_auto('/etc/passwd')",
        "select * from read_text('/etc/passwd')",
        "select * from read_blob('/etc/passwd')",
        "select * from read_json('/etc/passwd')",
        "select * from read_parquet('OTHER')",
        "select * from parquet_scan('OTHER')",
        "select * from parquet_schema('OTHER')",
        "select * from sniff_csv('/etc/passwd')",
        "select * from glob('/etc/*')",
        "select * from '/etc/passwd'",
        "select * from 'OTHER'",
        "select (select max(content) from read_text('/etc/passwd')) from events",
        "select * from events where pump_id in (select content from read_text('/etc/passwd'))",
        "with \"OTHER\" as (select 1) select * from (select * from 'OTHER' limit 0), read_text('OTHER')",
        "summarize 'OTHER'",
        "describe select * from 'OTHER'",
        # settings, the environment and the engine's own rooms
        "set memory_limit = '100GB'",
        "set enable_external_access = true",
        "reset memory_limit",
        "pragma version",
        "pragma enable_profiling",
        "call pragma_version()",
        "checkpoint",
        "vacuum",
        "begin",
        "prepare p as select 1",
        "execute p",
        "set variable x = 1",
        "select getenv('HOME')",
        "select write_log('x')",
        "select count(*) from events where write_log(pump_id) is null",
        "select current_setting('memory_limit')",
        "select CURRENT_SETTING('threads') as n from events",
        "select getvariable('x')",
        "select repeat('x', 2000000000)",
        "select events.pump_id.lpad(2000000000, 'x') from events",
        "select * from duckdb_settings()",
        "select * from duckdb_secrets()",
        "select * from enable_profiling()",
        "select * from enable_logging()",
        "select * from force_checkpoint()",
        "select * from query('select 1')",
        "select * from query_table('events')",
        "select * from json_execute_serialized_sql(json_serialize_sql('select 1'))",
        "select * from python_map_function(1)",
        "select * from arrow_scan(0::pointer, 0::pointer, 0::pointer)",
        # what is not there
        "select * from hidden_frame_table",
        "select * from nonsense",
        "select nonsense from events",
        "select * from other.main.events",
    ],
)
def test_anything_else_is_refused(snapshot: Snapshot, tmp_path: Path, sql: str) -> None:
    hidden_frame_table = pa.table({"a": [1]})
    other = tmp_path / "other.parquet"
    out = tmp_path / "out"
    pq.write_table(hidden_frame_table, other)
    before = sorted(snapshot.root.rglob("*"))
    with pytest.raises(UsageError) as caught:
        query(snapshot, sql.replace("OTHER", str(other)).replace("OUT", str(out)))
    assert str(caught.value).startswith("query: ")
    assert "\n" not in str(caught.value)
    assert not out.exists()
    assert sorted(snapshot.root.rglob("*")) == before


def test_the_connection_itself_holds_when_the_other_fences_are_gone(
    snapshot: Snapshot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the package gives the function under the module's name
    monkeypatch.setattr(sys.modules["dripledger.store.query"], "_check", lambda *_: set(TABLES))
    hidden_frame_table = pa.table({"a": [1]})
    assert hidden_frame_table.num_rows == 1
    out = tmp_path / "out.csv"
    data = snapshot.files("events")[0]
    for sql in (
        "select * from read_text('/etc/passwd')",
        "select * from glob('/etc/*')",
        f"copy (select 1) to '{out}'",
        "set enable_external_access = true",
        "set lock_configuration = false",
        f"select * from read_parquet('{snapshot.root}/**/*.parquet')",
        "attach '/tmp/x.duckdb' as x",
        "select * from hidden_frame_table",
    ):
        with pytest.raises(UsageError):
            query(snapshot, sql)
    assert not out.exists()
    assert Path(data).stat().st_size > 0


def test_a_query_that_needs_too_much_memory_says_so(snapshot: Snapshot) -> None:
    with pytest.raises(UsageError, match="more memory"):
        query(
            snapshot,
            "select list(a.r) as x from range(20000000) a(r)",
            memory_limit_bytes=30_000_000,
        )


def test_an_older_version_sees_only_its_own_files(snapshot: Snapshot) -> None:
    old = Ledger.open(snapshot.root).snapshot("1")
    assert query(old, "select count(*) as n from infusions").to_pylist() == [{"n": 0}]
    assert query(old, "select max(version) as v from commits").to_pylist() == [{"v": 1}]


def test_a_long_answer_is_refused_before_it_is_gathered(snapshot: Snapshot) -> None:
    endless = "select * from range(1000000000000)"
    with pytest.raises(UsageError, match=r"longer than 20000 rows.*--format csv"):
        query(snapshot, endless, most_rows=20_000)
    with pytest.raises(UsageError, match="longer than 1 MiB"):
        query(snapshot, endless, most_bytes=1024**2)
    assert query(snapshot, "select * from range(20000)", most_rows=20_000).num_rows == 20_000


def test_an_answer_of_any_length_is_streamed(snapshot: Snapshot) -> None:
    with stream_query(snapshot, "select range as n, pump_id from range(100000000000), events") as answer:
        assert answer.schema.names == ["n", "pump_id"]
        assert [answer.read_next_batch().num_rows > 0 for _ in range(3)] == [True] * 3
    assert not list((snapshot.root / "spill").glob("query-*"))


def test_an_error_in_the_middle_of_a_stream_is_told_in_one_message(snapshot: Snapshot) -> None:
    sql = "select cast(case when n = 90000 then 'x' else '1' end as int) as v from range(100000) t(n)"
    with pytest.raises(UsageError) as caught, stream_query(snapshot, sql) as answer:
        answer.read_all()
    assert "'x'" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_what_the_system_says_while_an_answer_is_written_is_not_told_as_the_query(snapshot: Snapshot) -> None:
    with pytest.raises(BrokenPipeError), stream_query(snapshot, "select 1 as a"):
        raise BrokenPipeError(32, "Broken pipe")
