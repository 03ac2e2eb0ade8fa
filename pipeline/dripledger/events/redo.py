"""Undo: a source read again from its originals, as if for the first time, or without one of its files.

All of it is one commit; the version before stays as it was.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Callable
from typing import Any, Final

import pyarrow as pa

from dripledger.errors import ConfigurationError, UsageError
from dripledger.events import derive
from dripledger.events.final import WAITING_BATCH_ROWS
from dripledger.events.rereading import FOLDER, Again, keep_counts, leave_what_is_the_same, read_again
from dripledger.events.result import COUNTS, FileBalance, IngestResult
from dripledger.events.run import Run, conclude, open_run, rebuild_notes, refuse_assumptions
from dripledger.schema import TABLES
from dripledger.site import Site
from dripledger.sources.mapping import declarations_digest, load_mappings, mapping_file
from dripledger.sources.personal import need_key
from dripledger.sources.staging import quoted

_WAITING: Final = (
    "source_file_sha256, source_record, record_md5, reasons, explanation, fields_json, pump_id, "
)
_WAITING_KEY: Final = f"{_WAITING}sequence, device_time"
_SHORTEST_HASH: Final = 8


def redo(
    site: Site,
    source: str,
    wait_s: float = 30,
    build: bool = True,
    progress: Callable[[str], None] | None = None,
) -> IngestResult:
    """Read a source again from its originals, under the mapping as it is now.

    Parameters
    ----------
    site
        The site.
    source
        Name of its mapping.
    wait_s
        Seconds to wait for another writer.
    build
        Whether to build segments and infusions in the same commit.
    progress
        Called with the name of each step as it begins.

    Returns
    -------
    IngestResult
        The balance of the source's files; `rederived` counts the events that are new, gone or different. No
        `ingest_id` where nothing changed, so that nothing was committed.

    Raises
    ------
    UsageError
        If nothing of this source was read, or it has no mapping.
    InputError
        If an original cannot be read; nothing is changed then.
    """
    mappings = load_mappings(site)
    if source not in mappings:
        raise UsageError(
            f"there is no source {source!r}",
            where="--redo",
            do=f"The mappings are: {', '.join(sorted(mappings)) or 'none yet'}",
        )
    refuse_assumptions(site, mappings[source])
    if mappings[source].keyed_fields:
        need_key(site, source, mappings[source].keyed_fields)
    with open_run(site, mappings, wait_s, progress) as run:
        run.writer.base.attach(run.con, ["ingests"], "base_")
        if not run.con.execute(f"select 1 from base_ingests where source_name = {quoted(source)}").fetchall():
            raise UsageError(
                f"nothing of the source {source!r} has been read",
                where="--redo",
                do="See 'dripledger balance'",
            )
        return _redo(run, source, None, build)


def forget(
    site: Site,
    sha256: str,
    wait_s: float = 30,
    build: bool = True,
    progress: Callable[[str], None] | None = None,
) -> IngestResult:
    """Take the events of one file out of the newest version, as where it is another hospital's.

    What other files of its source hold too comes from them; so that source is read again as by `redo`. The
    file stays in the balance, its records ignored, and stays out when it is dropped again.

    Parameters
    ----------
    site
        The site.
    sha256
        The file's hash, or at least 8 digits of its beginning that no other file shares.
    wait_s, build, progress
        As for `redo`.

    Returns
    -------
    IngestResult
        The balance of the files of its source, this one among them.

    Raises
    ------
    UsageError
        If no such file was read, several begin so, or it is forgotten already.
    ConfigurationError
        If its source has no mapping any more.
    InputError
        If an original of its source cannot be read; nothing is changed then.
    """
    mappings = load_mappings(site)
    with open_run(site, mappings, wait_s, progress) as run:
        run.writer.base.attach(run.con, ["ingests"], "base_")
        sha, source = _file_meant(run, sha256.strip().lower())
        if source not in mappings:
            raise ConfigurationError(
                f"the file belongs to the source {source!r}, which has no mapping any more, so what "
                "other files "
                "share with it cannot be read",
                where=mapping_file(run.site, source),
                do="Put the mapping back under the name that it had, then try again",
            )
        refuse_assumptions(site, mappings[source])
        if mappings[source].keyed_fields:
            need_key(site, source, mappings[source].keyed_fields)
        return _redo(run, source, sha, build)


def _file_meant(run: Run, text: str) -> tuple[str, str]:
    """Return (SHA-256, source) of the file that a hash or its beginning names."""
    if not re.fullmatch(f"[0-9a-f]{{{_SHORTEST_HASH},64}}", text):
        raise UsageError(
            f"{text!r} is no SHA-256, nor {_SHORTEST_HASH} or more digits of its beginning",
            where="--forget",
            do="'dripledger balance' prints the hash of each file",
        )
    found = run.con.execute(
        "select distinct source_file_sha256, source_name, path, forgotten_at from base_ingests "
        f"where starts_with(source_file_sha256, {quoted(text)}) order by all"
    ).fetchall()
    if len(found) != 1:
        what = "no file with this SHA-256 was read"
        if found:
            what = f"the hashes of {len(found)} files begin so: {', '.join(row[2] for row in found)}"
        raise UsageError(
            what, where=f"--forget {text}", do="'dripledger balance' prints the hash of each file"
        )
    sha, source, path, at = found[0]
    if at is not None:
        raise UsageError(f"{path} was forgotten already, on {at:%Y-%m-%d}", where=f"--forget {text}")
    return sha, source


def _redo(run: Run, source: str, forgotten: str | None, build: bool) -> IngestResult:
    digests = {n: declarations_digest(run.site, m) for n, m in run.mappings.items()}
    run.tell("derive again")
    redone = derive.rederive(run, {n: d for n, d in digests.items() if n != source})
    shutil.rmtree(run.site.originals / FOLDER, ignore_errors=True)
    try:
        return _redone(run, source, forgotten, build, digests, redone)
    finally:
        shutil.rmtree(run.site.originals / FOLDER, ignore_errors=True)


def _redone(
    run: Run,
    source: str,
    forgotten: str | None,
    build: bool,
    digests: dict[str, str],
    redone: derive.Rederived,
) -> IngestResult:
    con, writer, name = run.con, run.writer, quoted(source)
    told = read_again(run, source, forgotten)
    leave_what_is_the_same(run, source, told)
    before = con.sql("select * from base_ingests").to_arrow_table().to_pylist()
    rows = _ledger_rows(run, source, forgotten, told, digests, redone)
    waits = con.execute(
        f"select count(*) from (({_waiting('base_quarantined', name)}) except all (select {_WAITING_KEY} "
        "from "
        f"redo_waiting)) union all (select count(*) from ((select {_WAITING_KEY} from redo_waiting) "
        "except all "
        f"({_waiting('base_quarantined', name)})))"
    ).fetchall()
    unchanged = rows == before and not told.changed and not any(n for (n,) in waits)
    files = tuple(
        FileBalance(
            row["path"], row["source_file_sha256"], source, False, **{c: row[c] for c in COUNTS},
            forgotten=row["forgotten_at"] is not None,
        )
        for row in rows
        if row["source_name"] == source
    )  # fmt: skip
    result: dict[str, Any] = {
        "files": files, "rederived": redone.events + told.changed, "settled": told.settled,
        "failures": tuple(redone.failures),
        "notes": tuple(f"{file.shown}: {note}" for file in told.files for note in file.original.notes),
    }  # fmt: skip
    if unchanged and not redone.sources:
        return IngestResult(None, writer.base.version, **result)
    kind = "redo" if forgotten is None else "forget" + forgotten
    ingest_id = f"{writer.version:06d}-{hashlib.sha256((kind + source).encode()).hexdigest()[:12]}"
    run.begin_writing()
    derive.write_changed(run)
    writer.replace(
        "quarantined",
        None,
        con.sql(
            f"select * from base_quarantined where source_name <> {name} union all select * from run_waiting "
            "union all select * from redo_waiting order by source_name, source_file_sha256, source_record"
        ).to_arrow_reader(WAITING_BATCH_ROWS),
    )
    writer.replace("ingests", None, pa.Table.from_pylist(rows, schema=TABLES["ingests"].arrow_schema))
    result["notes"] += tuple(rebuild_notes(run, build))
    note = f"source {source} read again"
    version = conclude(run, ingest_id, build, note if forgotten is None else f"{note} without one file")
    keep_counts(told.files, run.site.originals)
    return IngestResult(ingest_id, version, **result)


def _waiting(table: str, name: str) -> str:
    return f"select {_WAITING_KEY} from {table} where source_name = {name}"


def _ledger_rows(
    run: Run,
    source: str,
    forgotten: str | None,
    told: Again,
    digests: dict[str, str],
    redone: derive.Rederived,
) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = derive.ledger_rows(run, digests, redone).to_pylist()
    for row in rows:
        if row["source_name"] != source:
            continue
        row["mapping_sha256"] = digests[source]
        row["records_json"] = json.dumps(list(run.mappings[source].kinds_declared()))
        if row["source_file_sha256"] == forgotten:
            row.update(dict.fromkeys(COUNTS[1:], 0), rows_ignored=row["rows_read"])
            row["forgotten_at"] = run.writer.committed_at
        elif row["forgotten_at"] is None:
            row.update(told.counts[row["source_file_sha256"]])
    return rows
