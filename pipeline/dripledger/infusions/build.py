"""Build `segments`, `infusions`, `programmings`, `attempts` and `alarms` from events, all at once."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Final

import duckdb
import pyarrow as pa

from dripledger.engine import SqlFile, load_sql_files
from dripledger.engine.sqlfiles import build_order
from dripledger.errors import DripledgerError
from dripledger.schema import TABLES
from dripledger.schema.codes import TIE_ORDER
from dripledger.schema.units import register_units
from dripledger.site import SiteSettings

__all__ = ["build", "make_ignored", "make_settings", "make_source_records"]

_ROOM = "infusions"
#: The relations that the room is for; all others are steps on the way.
RESULTS = ("segments", "infusions", "programmings", "attempts", "alarms")
#: Up to so many events, to plan the queries well costs more than to run them.
SMALL_EVENTS: Final = 4_000
#: What the planner does to make queries over much data quick.
_LARGE_ONLY: Final = (
    "common_subplan",
    "duplicate_groups",
    "expression_rewriter",
    "join_filter_pushdown",
    "join_order",
    "projection_placement",
    "projection_pullup",
    "statistics_propagation",
    "top_n_window_elimination",
)
#: What steps read of a result besides its own columns.
_READ_BESIDE: Final = {
    "attempts": "cast(null as bigint) as watch_no, cast(null as varchar) as end_row_id, "
    "cast(null as boolean) as is_confirmed"
}


def make_settings(con: duckdb.DuckDBPyConnection, settings: SiteSettings) -> None:
    """Make the relations `settings` (one row) and `area_contexts` from a site's settings.

    Parameters
    ----------
    con
        Connection to make them in, as temporary tables.
    settings
        The site's settings; all thresholds are in seconds.
    """
    limits = settings.thresholds.of_infusions
    named = ", ".join(f"cast(? as double) as {name}" for name in limits)
    con.execute(f"create or replace temp table settings as select {named}", list(limits.values()))
    areas = pa.table(
        {
            "care_area": pa.array(list(settings.care_areas), pa.string()),
            "use_context": pa.array([area.context for area in settings.care_areas.values()], pa.string()),
        }
    )
    _make_table(con, "area_contexts", areas)


def make_source_records(
    con: duckdb.DuckDBPyConnection, ingests: str = "ingests", name: str = "source_records"
) -> None:
    """Make the relation `source_records`: which kinds each source can log, by its newest ingest.

    Parameters
    ----------
    con
        Connection to make it in, as a temporary table with the columns `source_name` and `kind`.
    ingests
        Name of the relation in `con` that has the ledger's table `ingests`.
    name
        Name of the relation to make.
    """
    rows = con.execute(
        f'select source_name, records_json from "{ingests}" where source_name is not null '
        "order by ingested_at, ingest_id, source_file_sha256"
    ).fetchall()
    kinds = {source: json.loads(text or "[]") for source, text in rows}
    pairs = [(source, kind) for source, declared in sorted(kinds.items()) for kind in declared]
    records = pa.table(
        {
            "source_name": pa.array([source for source, _ in pairs], pa.string()),
            "kind": pa.array([kind for _, kind in pairs], pa.string()),
        }
    )
    _make_table(con, name, records)


def make_ignored(con: duckdb.DuckDBPyConnection) -> None:
    """Make `ignored` where it does not stand: no rule ignores a numbered record."""
    if not con.execute("select 1 from information_schema.tables where table_name = 'ignored'").fetchall():
        con.execute(f"create temp view ignored as {TABLES['ignored'].empty_select()}")


def _make_table(con: duckdb.DuckDBPyConnection, name: str, table: pa.Table) -> None:
    con.register("_incoming", table)
    con.execute(f'create or replace temp table "{name}" as select * from _incoming')
    con.unregister("_incoming")


def build(
    con: duckdb.DuckDBPyConnection, results: Sequence[str] = RESULTS, *, keep_steps: bool = False
) -> None:
    """Make temporary tables of what the events say: all of `RESULTS`, or some of them.

    Parameters
    ----------
    con
        Connection in which `events`, `settings` and `area_contexts` stand (see `make_settings`), and
        `ignored` where rules ignore numbered records. `source_records` (see `make_source_records`) tells
        what each source can log; without it, every source can log every kind.
    results
        Which of `RESULTS` to make; what they need is made on the way.
    keep_steps
        Leave the steps on the way standing, to look at them.

    Notes
    -----
    All have exactly the columns of ``schema.TABLES``, in that order. The rules are in
    ``sql/infusions``; each file says why it is there.
    """
    make_ignored(con)
    register_units(con)
    ranks = pa.table(
        {"kind": pa.array(TIE_ORDER, pa.string()), "tie_rank": pa.array(range(len(TIE_ORDER)), pa.int64())}
    )
    _make_table(con, "kind_order", ranks)
    con.execute("create temp table if not exists source_records (source_name varchar, kind varchar)")
    files = build_order(load_sql_files(_ROOM), results)
    with _planned_for(con):
        _make_steps(con, files, results, keep_steps=keep_steps)
    for name in results:
        columns = ", ".join(
            f'cast("{c.name}" as {c.type.duckdb}) as "{c.name}"' for c in TABLES[name].columns
        )
        con.execute(f'create or replace temp table "{name}" as select {columns} from "{name}"')
    if not keep_steps:
        for name in ("kind_order", "units"):
            con.execute(f'drop table if exists "{name}"')


def event_columns() -> list[str]:
    """Return the columns of `events` that the room's files name."""
    texts = " ".join(file.text for file in load_sql_files(_ROOM).values() if "events" in file.reads)
    words = set(re.findall(r"\w+", texts))
    return [name for name in TABLES["events"].names if name in words]


def _make_steps(
    con: duckdb.DuckDBPyConnection, files: Sequence[SqlFile], results: Collection[str], *, keep_steps: bool
) -> None:
    """Make the relations in their order; a step that nothing reads any more gives its memory back.

    A file that `needs` a relation has no row where that one has none: it is not run, and made at all only if
    it is a result. Such files are read by one another and, as results, by others.
    """
    last_reader = {name: file.name for file in files for name in file.reads}
    needed = {file.header["needs"] for file in files if "needs" in file.header and not keep_steps}
    lacking: set[str] = set()
    standing: set[str] = set()
    for file in files:
        made = file.text.strip().rstrip(";")
        if file.header.get("needs") in lacking:
            made = _no_rows(file.name) if file.name in RESULTS else ""
        if made:
            con.execute(f'create or replace temp table "{file.name}" as\n{made}')
            standing.add(file.name)
            if "order" in file.header:
                _hold_to_order(con, file)
        if file.name in needed and not con.execute(f'select 1 from "{file.name}" limit 1').fetchall():
            lacking.add(file.name)
        if not keep_steps:
            for name in sorted(standing - set(results)):
                if last_reader.get(name) == file.name:
                    con.execute(f'drop table "{name}"')
                    standing.remove(name)


def _hold_to_order(con: duckdb.DuckDBPyConnection, file: SqlFile) -> None:
    """Refuse a relation whose rows do not lie as its header says: what reads it takes them as they come."""
    columns = [word.split() for word in file.header["order"].split(", ")]
    here = ", ".join(name for name, *_ in columns)
    before = ", ".join(f"lag({name}) over ()" for name, *_ in columns)
    (first, *_), *_ = columns
    # no two rows lie at one place: the value of which one holds would be chance
    wrong = ">=" if columns[0][1:] == ["desc"] else "<="
    found = con.execute(
        f"select 1 from (select lag({first}) over () is not null and row({here}) {wrong} row({before}) "
        f'as is_wrong from "{file.name}") where is_wrong limit 1'
    ).fetchall()
    if found:
        raise DripledgerError(
            f"the engine laid {file.name} down in another order than {file.header['order']}, so what follows "
            "from it would be wrong; nothing was written",
            where=file.path,
            do="Use the versions in requirements.lock, and tell the maintainers which one it was",
        )


def _no_rows(result: str) -> str:
    beside = _READ_BESIDE.get(result)
    empty = TABLES[result].empty_select()
    return empty if beside is None else f"select *, {beside} from ({empty})"


@contextmanager
def _planned_for(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Let the engine spend on planning, and on threads, what the number of events is worth."""
    ((events,),) = con.execute(
        f"select count(*) from (select 1 from events limit {SMALL_EVENTS + 1})"
    ).fetchall()
    if events > SMALL_EVENTS:
        yield
        return
    ((threads, disabled),) = con.execute(
        "select current_setting('threads'), current_setting('disabled_optimizers')"
    ).fetchall()
    # the names of its passes are the engine's own: another version may lack one
    known = {name for (name,) in con.execute("select name from duckdb_optimizers()").fetchall()}
    con.execute(f"set disabled_optimizers = '{','.join(name for name in _LARGE_ONLY if name in known)}'")
    con.execute("set threads = 1")
    try:
        yield
    finally:
        # where a build failed inside a transaction of its caller nothing can be set; that failure is told
        with suppress(duckdb.TransactionException):
            con.execute(f"set threads = {threads}")
            con.execute(f"set disabled_optimizers = '{disabled}'")
