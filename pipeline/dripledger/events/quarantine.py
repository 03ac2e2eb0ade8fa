"""Records that wait: listed with every reason, and read again after a mapping was mended."""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

import pyarrow as pa

from dripledger.engine import connect
from dripledger.errors import InputError, UsageError
from dripledger.events import derive, ignored, settle, superseded
from dripledger.events.account import Account
from dripledger.events.checks import UNREADABLE
from dripledger.events.final import WAITING_BATCH_ROWS, events_reader, quarantined_select
from dripledger.events.result import COUNTS, FileBalance, IngestResult
from dripledger.events.run import Run, conclude, known_events, open_run, rebuild_notes
from dripledger.schema import TABLES
from dripledger.site import Site
from dripledger.sources import originals
from dripledger.sources.mapping import declarations_digest, load_mappings, mapping_file
from dripledger.sources.staging import SourceFile, quoted
from dripledger.store import Snapshot

_KEY: Final = "source_file_sha256, source_record"


def _known(reason: str | None) -> str | None:
    """Return the name of a reason that was given by it, or in words and with a count as reports write it."""
    known = [check.name for check in UNREADABLE]
    name = None if reason is None else "_".join(re.sub(r"\s*\([\d ]+\)\.?$", "", reason).lower().split())
    if name is not None and name not in known:
        raise UsageError(
            f"there is no reason {reason!r}", where="--reason", do=f"The reasons are: {', '.join(known)}"
        )
    return name


def list_quarantine(snapshot: Snapshot, reason: str | None = None) -> pa.Table:
    """Return the records that wait, with every reason.

    Parameters
    ----------
    snapshot
        The store as it is looked at.
    reason
        Only records with this reason among theirs; its name, or the same in words.

    Returns
    -------
    pyarrow.Table
        ``path`` and the columns of `quarantined`, in the order of files and records.

    Raises
    ------
    UsageError
        If there is no such reason.
    """
    reason = _known(reason)
    con = connect()
    try:
        snapshot.attach(con, ["quarantined", "ingests"])
        where = "" if reason is None else f"where list_contains(q.reasons, {quoted(reason)})"
        return con.sql(
            "select i.path, q.* from quarantined q left join (select source_file_sha256, min(path) as path "
            f"from ingests group by all) i using (source_file_sha256) {where} "
            "order by i.path, q.source_file_sha256, q.source_record"
        ).to_arrow_table()
    finally:
        con.close()


def retry(
    site: Site,
    reason: str | None = None,
    wait_s: float = 30,
    build: bool = True,
    progress: Callable[[str], None] | None = None,
) -> IngestResult:
    """Read waiting records again, from the originals, under the mappings as they are now.

    What can be read now moves from quarantined to kept, duplicate or ignored in the ledger row of its file;
    nothing counts twice. What still waits keeps its place, with the reasons of today.

    Parameters
    ----------
    site
        The site.
    reason
        Only records with this reason among theirs; its name, or the same in words.
    wait_s
        Seconds to wait for another writer.
    build
        Whether to build segments and infusions in the same commit.
    progress
        Called with the name of each step as it begins.

    Returns
    -------
    IngestResult
        Counts of the records that were tried.
    """
    reason = _known(reason)
    mappings = load_mappings(site)
    with open_run(site, mappings, wait_s, progress) as run:
        return _retry(run, reason, build)


def _retry(run: Run, reason: str | None, build: bool) -> IngestResult:
    con, writer = run.con, run.writer
    digests = {name: declarations_digest(run.site, m) for name, m in run.mappings.items()}
    run.tell("derive again")
    redone = derive.rederive(run, digests)
    where = "" if reason is None else f"where list_contains(q.reasons, {quoted(reason)})"
    tried = con.execute(
        "select q.source_name, q.source_file_sha256, min(i.path), list(q.source_record order by "
        "q.source_record) "
        "from base_quarantined q left join (select source_file_sha256, min(path) as path from base_ingests "
        f"group by all) i using (source_file_sha256) {where} group by 1, 2 order by 1, 2"
    ).fetchall()
    failures = list(redone.failures)
    orphans: Counter[str] = Counter()
    for source, _, _, records in tried:
        if source not in run.mappings:
            orphans[source] += len(records)
    failures += [_no_mapping(run, source, count) for source, count in sorted(orphans.items())]
    tried = [row for row in tried if row[0] in run.mappings]
    account = Account(con, "new")
    account.open()
    only: dict[int, list[int]] = {}
    groups: dict[str, list[SourceFile]] = {}
    for number, (source, sha, path, records) in enumerate(tried):
        try:
            original = originals.open_original(run.site.originals, sha)
        except InputError as error:
            failures.append(error)
            continue
        only[number] = records
        groups.setdefault(source, []).append(SourceFile(number, Path(path or sha), path or sha, original))
    for src, (source, files) in enumerate(groups.items()):
        run.tell(f"stage {source}")
        told = run.staged(f"n{src}", source, files, only)
        account.add(src, told, files, {number: len(records) for number, records in only.items()})
        failures += [told.staged.failures[n] for n in sorted(told.staged.failures)]
    run.tell("compare")
    account.compare(known_events(run, account, redone.events))
    account.waiting_bytes(None)
    superseded.mark_new(run, account, _all_originals(run, sorted(groups)))
    counts = account.balance()
    settled = settle.settle(run, account)
    files_told = tuple(
        FileBalance.of(
            f.shown, f.original.sha256, account.sources[account.source_of[n]].mapping.name, counts[n]
        )
        for n, f in sorted(account.files.items())
    )
    resolved = sum(c["rows_read"] - c["quarantined"] for c in counts.values())

    def result(ingest_id: str | None, version: int) -> IngestResult:
        return IngestResult(
            ingest_id, version, files_told, rederived=redone.events, settled=settled,
            failures=tuple(failures), notes=() if ingest_id is None else tuple(rebuild_notes(run, build)),
        )  # fmt: skip

    if not (resolved or redone.sources or settled):
        return result(None, writer.base.version)
    shas = "".join(f.original.sha256 for f in account.files.values())
    ingest_id = f"{writer.version:06d}-{hashlib.sha256(('retry' + shas).encode()).hexdigest()[:12]}"
    run.begin_writing()
    derive.write_changed(run)
    con.execute(f"create or replace temp table still_waiting as {TABLES['quarantined'].empty_select()}")
    for src in account.sources:
        writer.append("events", events_reader(con, account, src, run.lists, ingest_id))
        con.execute(f"insert into still_waiting {quarantined_select(account, src, ingest_id)}")
    ignored.append_new(con, writer, account, run.lists, ingest_id)
    _replace_waiting(run, account)
    _move_balance(run, account, counts, digests, redone)
    done = result(ingest_id, writer.base.version)
    return replace(done, store_version=conclude(run, ingest_id, build, "quarantine read again"))


def _all_originals(run: Run, sources: list[str]) -> list[tuple[str, originals.Original]]:
    """Return every file of some sources that can be opened, with its source."""
    found = []
    for source in sources:
        for (sha,) in run.con.execute(
            "select distinct source_file_sha256 from base_ingests where forgotten_at is null and "
            "source_name = "
            f"{quoted(source)} order by 1"
        ).fetchall():
            with contextlib.suppress(InputError):
                found.append((source, originals.open_original(run.site.originals, sha)))
    return found


def _no_mapping(run: Run, source: str, count: int) -> InputError:
    some = "1 record of this source waits" if count == 1 else f"{count} records of this source wait"
    return InputError(
        f"{some}, but there is no mapping {source!r} to read with",
        where=mapping_file(run.site, source),
        do="Put the mapping back under the name that it had, then try again",
    )


def _replace_waiting(run: Run, account: Account) -> None:
    """Take the tried records out of quarantine and put back those that still wait, as they came in."""
    con, n = run.con, account.name
    con.execute(
        f"create or replace temp table {n}_tried as select distinct file_no, record from {n}_events "
        f"union select file_no, record from {n}_waiting"
    )
    columns = ", ".join(
        "q.ingest_id" if c == "ingest_id" else f's."{c}"' for c in TABLES["quarantined"].names
    )
    tried = f"select f.sha, q.record from {n}_tried q join {n}_files f using (file_no)"
    con.execute(
        "insert into run_touched select facility, pump_id, device_time at time zone 'UTC' - interval 1 day "
        f"from base_quarantined where (source_file_sha256, source_record) in ({tried}) "
        "and pump_id is not null and device_time is not null"
    )
    run.writer.replace(
        "quarantined",
        None,
        con.sql(
            f"select * from base_quarantined where (source_file_sha256, source_record) not in ({tried}) "
            f"union all select {columns} from still_waiting s join base_quarantined q using ({_KEY}) "
            "union all select * from run_waiting "
            f"order by source_name, {_KEY}"
        ).to_arrow_reader(WAITING_BATCH_ROWS),
    )


def _move_balance(
    run: Run,
    account: Account,
    counts: dict[int, dict[str, int]],
    digests: dict[str, str],
    redone: derive.Rederived,
) -> None:
    """Move what was tried from quarantined to its new fate, in the ledger row of the file."""
    rows = derive.ledger_rows(run, digests, redone).to_pylist()
    by_sha = {account.files[n].original.sha256: c for n, c in counts.items()}
    for row in rows:
        told = by_sha.pop(row["source_file_sha256"], None)
        if told is not None:
            row["quarantined"] -= told["rows_read"]
            for name in COUNTS[1:]:
                row[name] += told[name]
    run.writer.replace("ingests", None, pa.Table.from_pylist(rows, schema=TABLES["ingests"].arrow_schema))
