"""Ingest: read what is new, account for every record, commit events and what follows from them at once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from collections.abc import Mapping as Map
from pathlib import Path
from typing import Any

import pyarrow as pa

from dripledger.events import derive, ignored, settle, superseded
from dripledger.events import files as claims_of
from dripledger.events.account import Account
from dripledger.events.final import WAITING_BATCH_ROWS, events_reader, quarantined_select
from dripledger.events.intake import take_in
from dripledger.events.result import COUNTS, FileBalance, IngestResult
from dripledger.events.run import (
    Run,
    conclude,
    known_events,
    open_run,
    rebuild_notes,
    refuse_assumptions,
    site_differs,
)
from dripledger.library import load_libraries
from dripledger.schema import TABLES
from dripledger.site import Site
from dripledger.sources.mapping import declarations_digest, load_mappings
from dripledger.sources.personal import need_key


def ingest(
    site: Site,
    paths: Sequence[Path] = (),
    source: str | None = None,
    wait_s: float = 30,
    build: bool = True,
    progress: Callable[[str], None] | None = None,
) -> IngestResult:
    """Read what is new and commit it.

    Parameters
    ----------
    site
        The site.
    paths
        Files or folders; empty: the inbox.
    source
        Read them with this mapping, whatever its pattern.
    wait_s
        Seconds to wait for another writer.
    build
        Whether to build segments and infusions in the same commit.
    progress
        Called with the name of each step as it begins.

    Returns
    -------
    IngestResult
        The balance; inputs that cannot be read at all are among its `failures`, the others are committed.

    Raises
    ------
    ConfigurationError, UsageError, StoreBusyError, StoreFormatError
        Before anything is written.
    """
    mappings = load_mappings(site)
    libraries = load_libraries(site)
    claims = claims_of.claim(site, mappings, [Path(p) for p in paths], source)
    for name in sorted({owner for _, _, owner in claims.files}):
        refuse_assumptions(site, mappings[name])
    for name in sorted({owner for _, _, owner in claims.files}):
        if mappings[name].keyed_fields:
            need_key(site, name, mappings[name].keyed_fields)
    with open_run(site, mappings, wait_s, progress) as run:
        return _ingest(run, claims, libraries, build)


def _ingest(run: Run, claims: claims_of.Claims, libraries: pa.Table, build: bool) -> IngestResult:
    con, writer, base = run.con, run.writer, run.writer.base
    run.tell("originals")
    intake = take_in(run, claims)
    shas = sorted(f.original.sha256 for group in intake.new.values() for f in group)
    ingest_id = f"{writer.version:06d}-{hashlib.sha256(''.join(shas).encode()).hexdigest()[:12]}"
    digests = {name: declarations_digest(run.site, m) for name, m in run.mappings.items()}

    run.tell("derive again")
    redone = derive.rederive(run, digests)
    intake.failures += redone.failures
    intake.notes += _without_mapping(run)
    account = Account(con, "new")
    account.open()
    for src, (source, files) in enumerate(sorted(intake.new.items())):
        run.tell(f"stage {source}")
        told = run.staged(f"n{src}", source, files)
        run.tell(f"check {source}")
        account.add(src, told, files)
        intake.note_empty(files, set(told.staged.failures))
        intake.failures += [told.staged.failures[n] for n in sorted(told.staged.failures)]
    run.tell("compare")
    account.compare(known_events(run, account, redone.events))
    account.waiting_bytes("base_quarantined" if run.base_has("quarantined") else None)
    superseded.mark_new(run, account)
    whole_now = superseded.superseded_of_base(run, account)
    counts = account.balance()
    settled = settle.settle(run, account)

    changed_libraries = _libraries_differ(run, libraries)
    rebuild = rebuild_notes(run, build)
    intake.notes += rebuild
    balances = [
        FileBalance.of(shown, sha, source, counts.get(file.number, {}) if file else {}, file is None)
        for shown, sha, source, file in intake.order
        if file is None or file.number in counts
    ]
    told_all: dict[str, Any] = {
        "files": tuple(balances), "rederived": redone.events, "settled": settled,
        "failures": tuple(intake.failures), "unclaimed": tuple(claims.unclaimed),
        "irregular": tuple(claims.irregular), "left": tuple(intake.left), "notes": tuple(intake.notes),
        "ignored": _ignored(account),
        "quarantine_share_max": run.site.settings.thresholds.quarantine_share_max,
    }  # fmt: skip
    edited = site_differs(run.site, base)
    if not (counts or redone.sources or changed_libraries or rebuild or settled or edited):
        return IngestResult(None, base.version, **told_all)

    run.begin_writing()
    derive.write_changed(run)
    if whole_now:
        superseded.take_out(run, whole_now)
    for src in account.sources:
        if any(counts[n]["events"] for n, f in account.files.items() if _belongs(account, n, src)):
            writer.append("events", events_reader(con, account, src, run.lists, ingest_id))
        if any(counts[n]["quarantined"] for n, f in account.files.items() if _belongs(account, n, src)):
            waiting = con.sql(quarantined_select(account, src, ingest_id))
            writer.append("quarantined", waiting.to_arrow_reader(WAITING_BATCH_ROWS))
    ignored.append_new(con, writer, account, run.lists, ingest_id)
    _write_ledger(run, account, counts, ingest_id, digests, redone, whole_now)
    if changed_libraries:
        writer.replace("libraries", None, libraries)
    account.close()
    version = conclude(run, ingest_id, build)
    return IngestResult(ingest_id, version, **told_all)


def _without_mapping(run: Run) -> list[str]:
    """Say which sources of the ledger have no mapping any more: what waits there cannot be tried again."""
    return [
        f"the source {name!r} has no mapping any more (was it renamed?): "
        f"{'1 record of it waits' if waiting == 1 else f'{waiting} records of it wait'} and cannot be "
        "tried again, "
        f"and {'its 1 event stays' if events == 1 else f'its {events} events stay'} as derived; put the "
        "mapping back "
        "under that name"
        for name, waiting, events in run.con.execute(
            "select source_name, cast(sum(quarantined) as bigint), cast(sum(events) as bigint) from "
            "base_ingests "
            "group by source_name having sum(quarantined) + sum(events) > 0 order by 1"
        ).fetchall()
        if name not in run.mappings
    ]


def _belongs(account: Account, number: int, src: int) -> bool:
    return account.files[number] is not None and account.source_of[number] == src


def _ignored(account: Account) -> dict[str, int]:
    found: dict[str, int] = {}
    for src, told in account.sources.items():
        any_ignored = account.con.execute(
            f"select 1 from {account.name}_events where src = {src} and ignored limit 1"
        ).fetchall()
        if any_ignored:
            for reason, count in account.con.execute(
                f"select ignored, count(distinct (file_no, record)) from {told.texts} "
                "where ignored is not null group by ignored order by ignored"
            ).fetchall():
                found[reason] = found.get(reason, 0) + count
    return found


def _libraries_differ(run: Run, libraries: pa.Table) -> bool:
    columns = ", ".join(f'"{n}"' for n in TABLES["libraries"].names)
    run.con.register("new_libraries", libraries)
    row = run.con.execute(
        f"select (select count(*) from base_libraries) <> (select count(*) from new_libraries) or exists "
        f"(select {columns} from new_libraries except select {columns} from base_libraries)"
    ).fetchall()[0]
    run.con.unregister("new_libraries")
    return bool(row[0])


def _write_ledger(
    run: Run,
    account: Account,
    counts: Map[int, Map[str, int]],
    ingest_id: str,
    digests: Map[str, str],
    redone: derive.Rederived,
    whole_now: Sequence[tuple[str, int]],
) -> None:
    rows: dict[str, list[object]] = {name: [] for name in TABLES["ingests"].names}
    for number in sorted(counts):
        file = account.files[number]
        mapping = account.sources[account.source_of[number]].mapping
        values = {
            "ingest_id": ingest_id, "path": file.shown, "source_file_sha256": file.original.sha256,
            "source_name": mapping.name, "facility": run.site.settings.facility,
            **{name: counts[number][name] for name in COUNTS},
            "ingested_at": run.writer.committed_at, "mapping_sha256": digests[mapping.name],
            "records_json": json.dumps(list(mapping.kinds_declared())), "forgotten_at": None,
        }  # fmt: skip
        for name, value in values.items():
            rows[name].append(value)
    new = pa.table(rows, schema=TABLES["ingests"].arrow_schema)
    if redone.sources or whole_now:
        old = superseded.as_duplicates(derive.ledger_rows(run, digests, redone), whole_now)
        run.writer.replace("ingests", None, pa.concat_tables([old, new]))
    elif new.num_rows:
        run.writer.append("ingests", new)
