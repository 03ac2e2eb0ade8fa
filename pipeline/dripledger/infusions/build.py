"""Build `segments`, `infusions`, `programmings`, `attempts` and `alarms` from events, all at once."""

from __future__ import annotations

import json
from collections.abc import Sequence

import duckdb
import pyarrow as pa

from dripledger.engine import load_sql_files
from dripledger.engine.sqlfiles import build_order
from dripledger.schema import TABLES
from dripledger.schema.codes import TIE_ORDER
from dripledger.schema.units import register_units
from dripledger.site import SiteSettings

__all__ = ["build", "make_ignored", "make_settings", "make_source_records"]

_ROOM = "infusions"
#: The relations that the room is for; all others are steps on the way.
RESULTS = ("segments", "infusions", "programmings", "attempts", "alarms")


def make_settings(con: duckdb.DuckDBPyConnection, settings: SiteSettings) -> None:
    """Make the relations `settings` (one row) and `area_contexts` from a site's settings.

    Parameters
    ----------
    con
        Connection to make them in, as temporary tables.
    settings
        The site's settings; all thresholds are in seconds.
    """
    limits = settings.thresholds
    con.execute(
        """
        create or replace temp table settings as select
            cast(? as double) as continue_after_stop_s, cast(? as double) as continue_after_pause_s,
            cast(? as double) as no_gap_s, cast(? as double) as keep_open_wait_s,
            cast(? as double) as false_start_s
        """,
        [
            limits.continue_after_stop_s,
            limits.continue_after_pause_s,
            limits.no_gap_s,
            limits.keep_open_wait_s,
            limits.false_start_s,
        ],
    )
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
    last_reader = {name: file.name for file in files for name in file.reads}
    for file in files:
        con.execute(f'create or replace temp table "{file.name}" as\n{file.text.strip().rstrip(";")}')
        if not keep_steps:
            # a step that nothing reads any more gives its memory back
            for step in files:
                if last_reader.get(step.name) == file.name and step.name not in results:
                    con.execute(f'drop table "{step.name}"')
    for name in results:
        columns = ", ".join(
            f'cast("{c.name}" as {c.type.duckdb}) as "{c.name}"' for c in TABLES[name].columns
        )
        con.execute(f'create or replace temp table "{name}" as select {columns} from "{name}"')
    if not keep_steps:
        for name in ("kind_order", "units"):
            con.execute(f'drop table if exists "{name}"')
