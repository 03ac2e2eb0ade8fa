"""Derivation again: when a label, alias, clock or zone was mended, kept events follow, with the same ids.

What was read stays in the originals, so events are made from there anew; ids, lineage and the ingest that
brought a record stay. A record that can no longer be read as before keeps the events that it had.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping as Map
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pyarrow as pa

from dripledger.events import ignored, settle
from dripledger.events.account import Account
from dripledger.events.final import events_select
from dripledger.schema import TABLES
from dripledger.sources import originals
from dripledger.sources.staging import SourceFile, quoted

if TYPE_CHECKING:
    from dripledger.events.run import Run


@dataclass
class Rederived:
    """What was derived again.

    Parameters
    ----------
    sources
        Sources whose declarations changed.
    events
        Events that differ now.
    by_file
        SHA-256 of a file -> how many events it has more (or less) than before.
    """

    sources: list[str] = field(default_factory=list)
    events: int = 0
    by_file: dict[str, int] = field(default_factory=dict)


def make_tables(run: Run) -> None:
    """Make the tables of kept events that change: `run_changed`, `run_replaced`, `run_touched`."""
    con = run.con
    con.execute(f"create or replace temp table run_changed as {TABLES['events'].empty_select()}")
    con.execute("create or replace temp table run_replaced (event_id varchar, month varchar)")
    con.execute(
        "create or replace temp table run_touched (facility varchar, pump_id varchar, occurred_at "
        "timestamptz)"
    )
    run.writer.base.attach(con, ["events", "ignored", "ingests", "quarantined", "libraries"], "base_")
    ignored.make_tables(con)
    con.execute(
        "create or replace temp view current_events as select * from base_events "
        "where event_id not in (select event_id from run_replaced) union all select * from run_changed"
    )


def rederive(run: Run, digests: Map[str, str]) -> Rederived:
    """Derive the events of every source again whose declarations are not those of the last commit."""
    make_tables(run)
    told = Rederived()
    stale = [
        name
        for name, digest in run.con.execute(
            "select source_name, max(mapping_sha256) from base_ingests group by source_name "
            "having min(mapping_sha256) = max(mapping_sha256) union all "
            "select source_name, '' from base_ingests group by source_name "
            "having min(mapping_sha256) <> max(mapping_sha256) order by 1"
        ).fetchall()
        if name in digests and digest != digests[name]
    ]
    for place, name in enumerate(stale):
        _source(run, name, place, told)
        told.sources.append(name)
    return told


def _source(run: Run, name: str, place: int, told: Rederived) -> None:
    con = run.con
    shas = [
        row[0]
        for row in con.execute(
            f"select source_file_sha256 from base_events where source_name = {quoted(name)} union "
            f"select source_file_sha256 from base_ingests where source_name = {quoted(name)} "
            "and rows_ignored > 0 order by 1"
        ).fetchall()
    ]
    if not shas:
        return
    numbers = itertools.count()
    files = []
    for sha in shas:
        original = originals.open_original(run.site.originals, sha)
        path = originals.unpack(original, run.folder / f"again{place}_{sha}")
        files.append(SourceFile(next(numbers), path, sha, original))
    account = Account(con, f"old{place}")
    account.open()
    account.add(0, run.staged(f"o{place}", name, files), files)
    account.live()
    settle.settle_new(run, account)
    part = run.folder / f"again{place}.parquet"
    con.execute(
        f"copy ({events_select(con, account, 0, run.lists, '')}) to {quoted(str(part))} (format parquet, "
        "compression lz4)"
    )
    ignored.derive_again(con, account, run.lists, name, shas)
    account.close()
    for file in files:
        file.path.unlink()
    _compare(run, name, f"read_parquet({quoted(str(part))})", told)


def _compare(run: Run, name: str, derived: str, told: Rederived) -> None:
    con = run.con
    names = TABLES["events"].names
    columns = ", ".join("b.ingest_id" if c == "ingest_id" else f'd."{c}"' for c in names)
    # only records that were kept; an event that another record brought stays that record's
    con.execute(
        f"create or replace temp view again as select {columns} from {derived} d join (select "
        "source_file_sha256, "
        f"source_record, min(ingest_id) as ingest_id from base_events where source_name = {quoted(name)} "
        "group by all) b using (source_file_sha256, source_record) where not exists (select 1 from "
        "base_events o "
        "where o.event_id = d.event_id and (o.source_file_sha256, o.source_record) is distinct from "
        "(d.source_file_sha256, d.source_record))"
    )
    whole = ", ".join(f'"{c}"' for c in names)
    con.execute(
        "create or replace temp table again_changed as select a.event_id from "
        f"(select event_id, hash({whole}) as h from again) a left join "
        f"(select event_id, hash({whole}) as h from base_events where source_name = {quoted(name)}) b "
        "using (event_id) where b.h is distinct from a.h"
    )
    con.execute(
        "create or replace temp table again_lost as select b.event_id from base_events b semi join again a "
        "using (source_file_sha256, source_record) where b.event_id not in (select event_id from again)"
    )
    for sha, more in con.execute(
        "select source_file_sha256, cast(sum(step) as bigint) from ("
        "select source_file_sha256, 1 as step from again where event_id in (select event_id from "
        "again_changed) "
        "and event_id not in (select event_id from base_events) union all "
        "select source_file_sha256, -1 from base_events where event_id in (select event_id from "
        "again_lost)) group by 1"
    ).fetchall():
        told.by_file[sha] = told.by_file.get(sha, 0) + more
    touched = "(select event_id from again_changed union all select event_id from again_lost)"
    con.execute(
        f"insert into run_replaced select event_id, month from base_events where event_id in {touched}"
    )
    con.execute(
        "insert into run_changed select * from again where event_id in (select event_id from again_changed)"
    )
    for table in ("base_events", "run_changed"):
        con.execute(
            f"insert into run_touched select facility, pump_id, min(occurred_at) from {table} "
            f"where event_id in {touched} group by all"
        )
    told.events += int(con.execute(f"select count(*) from {touched}").fetchall()[0][0])


def write_changed(run: Run) -> None:
    """Write the months of kept events and of ignored numbers that changed."""
    con = run.con
    ignored.write_changed(con, run.writer)
    months = [
        row[0]
        for row in con.execute(
            "select month from run_replaced union select month from run_changed order by 1"
        ).fetchall()
    ]
    if not months:
        return
    listed = ", ".join(quoted(m) for m in months)
    reader = con.sql(f"select * from current_events where month in ({listed})").to_arrow_reader(100_000)
    run.writer.replace("events", months, reader)


def ledger_rows(run: Run, digests: Map[str, str], redone: Rederived) -> pa.Table:
    """Return the ledger's rows so far, under the declarations that their events now stand under."""
    table = run.con.sql("select * from base_ingests").to_arrow_table()
    rows = table.to_pylist()
    counted: set[str] = set()
    for row in rows:
        name, sha = row["source_name"], row["source_file_sha256"]
        if name in redone.sources:
            row["mapping_sha256"] = digests[name]
            if sha not in counted:
                row["events"] += redone.by_file.get(sha, 0)
                counted.add(sha)
    return pa.Table.from_pylist(rows, schema=TABLES["ingests"].arrow_schema)
