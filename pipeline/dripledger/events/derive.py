"""Derivation again: when a label, alias, clock or zone was mended, kept events follow, with the same ids.

What was read stays in the originals, so events are made from there anew; ids, lineage and the ingest that
brought a record stay. Records whose fate the mending changes move in the ledger's balance: a label filed as
carrying no event takes its events away, one that counts from now on brings them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping as Map
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING

import pyarrow as pa

from dripledger.errors import DripledgerError, InputError
from dripledger.events import fates, ignored, settle
from dripledger.events.account import Account
from dripledger.events.final import WAITING_BATCH_ROWS, events_select
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
        SHA-256 of a file -> its balance now.
    failures
        Originals that cannot be read: their sources stay as they are, to be derived again next time.
    """

    sources: list[str] = field(default_factory=list)
    events: int = 0
    by_file: dict[str, fates.Fates] = field(default_factory=dict)
    failures: list[DripledgerError] = field(default_factory=list)


def make_tables(run: Run) -> None:
    """Make the tables of what changes: `run_changed`, `run_replaced`, `run_touched`, `run_waiting`."""
    con = run.con
    con.execute(f"create or replace temp table run_waiting as {TABLES['quarantined'].empty_select()}")
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
        try:
            files = _originals(run, name)
        except InputError as error:
            told.failures.append(error)
            continue
        if files and not _source(run, name, place, files, told):
            continue
        told.sources.append(name)
    return told


def _originals(run: Run, name: str) -> list[SourceFile]:
    """Return the files of a source that hold more than waiting records, in the ledger's order."""
    rows = run.con.execute(
        "select source_file_sha256 from base_ingests "
        f"where source_name = {quoted(name)} and rows_read > quarantined and forgotten_at is null "
        "group by source_file_sha256 order by min(ingest_id), min(path), source_file_sha256"
    ).fetchall()
    return [
        kept_file(number, sha, originals.open_original(run.site.originals, sha))
        for number, (sha,) in enumerate(rows)
    ]


def kept_file(number: int, shown: str, original: originals.Original) -> SourceFile:
    """Return an original as a file to stage: read from its frames, so that nothing of it lies unpacked."""
    return SourceFile(number, original.path, shown, original, packed=True)


def _source(run: Run, name: str, place: int, files: list[SourceFile], told: Rederived) -> bool:
    """Derive a source again; say whether any of its files can be read by its mapping.

    A file that cannot keeps the events that it gave, and that is told as a failure.
    """
    con = run.con
    account = Account(con, f"old{place}")
    account.open()
    staged = run.staged(f"o{place}", name, files)
    told.failures += [error for _, error in sorted(staged.staged.failures.items())]
    account.add(0, staged, files)
    if not account.files:
        account.close()
        return False
    account.live()
    settle.settle_new(run, account)
    part = run.folder / f"again{place}.parquet"
    con.execute(
        f"copy ({events_select(con, account, 0, run.lists, '')}) to {quoted(str(part))} (format parquet, "
        "compression lz4)"
    )
    ignored.derive_again(con, account, run.lists, name)
    told.by_file.update(fates.judge(run, account, name, f"read_parquet({quoted(str(part))})"))
    _compare(run, name, told)
    fates.close(run)
    account.close()
    return True


def _compare(run: Run, name: str, told: Rederived) -> None:
    """Note which events of `again` differ from the ledger's, and which of the ledger's are gone."""
    con = run.con
    names = TABLES["events"].names
    whole = ", ".join(f'"{c}"' for c in names)
    con.execute(
        "create or replace temp table again_changed as select a.event_id from "
        f"(select event_id, hash({whole}) as h from again) a left join "
        f"(select event_id, hash({whole}) as h from base_events where source_name = {quoted(name)}) b "
        "using (event_id) where b.h is distinct from a.h"
    )
    con.execute(
        "create or replace temp table again_lost as select event_id from base_events "
        f"where source_name = {quoted(name)} and source_file_sha256 in (select sha from fate_files) "
        "and event_id not in (select event_id from again)"
    )
    touched = "(select event_id from again_changed union all select event_id from again_lost)"
    con.execute(
        f"insert into run_replaced select event_id, month from base_events where event_id in {touched}"
    )
    con.execute(
        "insert into run_changed select * from again where event_id in (select event_id from again_changed)"
    )
    # no moment: what is gone may have stood for older things too, as a channel that nothing else names
    for table in ("base_events", "run_changed"):
        con.execute(
            f"insert into run_touched select distinct facility, pump_id, null from {table} "
            f"where event_id in {touched}"
        )
    told.events += int(con.execute(f"select count(*) from {touched}").fetchall()[0][0])


def write_changed(run: Run) -> None:
    """Write the months of kept events and of ignored numbers that changed, and what waits since."""
    con = run.con
    if con.execute("select 1 from run_waiting limit 1").fetchall():
        waiting = con.sql("select * from run_waiting")
        run.writer.append("quarantined", waiting.to_arrow_reader(WAITING_BATCH_ROWS))
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
    for row in rows:
        name = row["source_name"]
        if name in redone.sources:
            row["mapping_sha256"] = digests[name]
            row["records_json"] = json.dumps(list(run.mappings[name].kinds_declared()))
            now = redone.by_file.get(row["source_file_sha256"])
            if now is not None:
                row.update(asdict(now))
    return pa.Table.from_pylist(rows, schema=TABLES["ingests"].arrow_schema)
