"""Ingest: read what is new, account for every record, commit events and what follows from them at once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from collections.abc import Mapping as Map
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa

from dripledger.errors import ConfigurationError, DripledgerError, InputError
from dripledger.events import derive, ignored, settle
from dripledger.events import files as claims_of
from dripledger.events.account import Account
from dripledger.events.final import events_reader, quarantined_select
from dripledger.events.result import COUNTS, FileBalance, IngestResult
from dripledger.events.run import Run, conclude, known_events, must_rebuild, open_run
from dripledger.library import load_libraries
from dripledger.schema import TABLES
from dripledger.site import Site
from dripledger.sources import originals
from dripledger.sources.mapping import Mapping, declarations_digest, load_mappings
from dripledger.sources.personal import need_key
from dripledger.sources.staging import SourceFile, file_stamp, has_header, splitter_of


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
        _refuse_assumptions(site, mappings[name])
    for name in sorted({owner for _, _, owner in claims.files}):
        if mappings[name].keyed_fields:
            need_key(site, name, mappings[name].keyed_fields)
    with open_run(site, mappings, wait_s, progress) as run:
        return _ingest(run, claims, libraries, build)


def _refuse_assumptions(site: Site, mapping: Mapping) -> None:
    if mapping.assumed:
        raise ConfigurationError(
            f"this mapping was drafted and still assumes: {'; '.join(mapping.assumed)}",
            where=site.sources / f"{mapping.name}.toml",
            do="Check each assumption and take it out of 'assumed'",
        )


@dataclass
class _Intake:
    """Files on their way in: what was archived, what is known, what failed."""

    new: dict[str, list[SourceFile]] = field(default_factory=dict)
    order: list[tuple[str, str, str, SourceFile | None]] = field(default_factory=list)
    failures: list[DripledgerError] = field(default_factory=list)
    left: list[str] = field(default_factory=list)


def _take_in(run: Run, claims: claims_of.Claims) -> _Intake:
    """Read every file once: hash, count, keep; sort out what is known and what cannot be read."""
    intake = _Intake(failures=list(claims.failures))
    known: set[str] = set()
    if run.base_has("ingests"):
        run.writer.base.attach(run.con, ["ingests"], "base_")
        known = {
            r[0] for r in run.con.execute("select distinct source_file_sha256 from base_ingests").fetchall()
        }
    sizes = originals.sizes_known(run.site.originals)
    for number, (path, shown, source) in enumerate(claims.files):
        mapping = run.mappings[source]
        try:
            before = path.stat()
            if before.st_size in sizes and (digest := originals.hash_file(path)) in known:
                intake.order.append((shown, digest, source, None))
                continue
            original = originals.archive(path, run.site.originals, splitter_of(mapping), has_header(mapping))
            after = path.stat()
        except InputError as error:
            intake.failures.append(error)
            continue
        except OSError as error:
            intake.failures.append(
                InputError(f"cannot be read: {error.strerror}", where=path, do="Check its permissions")
            )
            continue
        if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns) or (
            original.size_bytes != after.st_size
        ):
            intake.left.append(shown)
            continue
        if original.sha256 in known:
            intake.order.append((shown, original.sha256, source, None))
            continue
        known.add(original.sha256)
        file = SourceFile(number, path.resolve(), shown, original, file_stamp(after))
        intake.new.setdefault(source, []).append(file)
        intake.order.append((shown, original.sha256, source, file))
    return intake


def _ingest(run: Run, claims: claims_of.Claims, libraries: pa.Table, build: bool) -> IngestResult:
    con, writer, base = run.con, run.writer, run.writer.base
    run.tell("originals")
    intake = _take_in(run, claims)
    shas = sorted(f.original.sha256 for group in intake.new.values() for f in group)
    ingest_id = f"{writer.version:06d}-{hashlib.sha256(''.join(shas).encode()).hexdigest()[:12]}"
    digests = {name: declarations_digest(run.site, m) for name, m in run.mappings.items()}

    run.tell("derive again")
    redone = derive.rederive(run, digests)
    intake.failures += redone.failures
    account = Account(con, "new")
    account.open()
    for src, (source, files) in enumerate(sorted(intake.new.items())):
        run.tell(f"stage {source}")
        told = run.staged(f"n{src}", source, files)
        run.tell(f"check {source}")
        account.add(src, told, files)
        intake.failures += [told.staged.failures[n] for n in sorted(told.staged.failures)]
    run.tell("compare")
    account.compare(known_events(run, account, redone.events))
    account.waiting_bytes("base_quarantined" if run.base_has("quarantined") else None)
    counts = account.balance()
    settled = settle.settle(run, account)

    changed_libraries = _libraries_differ(run, libraries)
    rebuild = build and must_rebuild(run)
    balances = [
        FileBalance(shown, sha, source, file is None, **(counts.get(file.number, {}) if file else {}))
        for shown, sha, source, file in intake.order
        if file is None or file.number in counts
    ]
    told_all: dict[str, Any] = {
        "files": tuple(balances), "rederived": redone.events, "settled": settled,
        "failures": tuple(intake.failures), "unclaimed": tuple(claims.unclaimed),
        "irregular": tuple(claims.irregular), "left": tuple(intake.left),
        "ignored": _ignored(account),
        "quarantine_share_max": run.site.settings.thresholds.quarantine_share_max,
    }  # fmt: skip
    if not (counts or redone.sources or changed_libraries or rebuild or settled):
        return IngestResult(None, base.version, **told_all)

    run.tell("write events")
    derive.write_changed(run)
    for src in account.sources:
        if any(counts[n]["events"] for n, f in account.files.items() if _belongs(account, n, src)):
            writer.append("events", events_reader(con, account, src, run.lists, ingest_id))
        if any(counts[n]["quarantined"] for n, f in account.files.items() if _belongs(account, n, src)):
            writer.append(
                "quarantined", con.sql(quarantined_select(account, src, ingest_id)).to_arrow_table()
            )
    ignored.append_new(con, writer, account, run.lists, ingest_id)
    _write_ledger(run, account, counts, ingest_id, digests, redone)
    if changed_libraries:
        writer.replace("libraries", None, libraries)
    account.close()
    version = conclude(run, ingest_id, build)
    return IngestResult(ingest_id, version, **told_all)


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
            "records_json": json.dumps(list(mapping.kinds_declared())),
        }  # fmt: skip
        for name, value in values.items():
            rows[name].append(value)
    new = pa.table(rows, schema=TABLES["ingests"].arrow_schema)
    if redone.sources:
        old = derive.ledger_rows(run, digests, redone)
        run.writer.replace("ingests", None, pa.concat_tables([old, new]))
    elif new.num_rows:
        run.writer.append("ingests", new)
