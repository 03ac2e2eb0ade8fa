"""A source read anew from its originals: events, waiting records and ignored numbers, and its files' balance.

It is read ingest by ingest, in the order in which its files came, so that under an unchanged mapping nothing
changes. What is the same as in the ledger is not written.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from dripledger.events import derive, ignored, settle, superseded
from dripledger.events.account import Account
from dripledger.events.final import events_select, quarantined_select
from dripledger.events.run import Run, known_events
from dripledger.schema import TABLES
from dripledger.sources import originals
from dripledger.sources.staging import SourceFile, quoted, reading_of

#: Below the originals, while a source is read again: what they hold is to lie nowhere else.
FOLDER: Final = ".again"


@dataclass
class Again:
    """What reading a source again gives: each file's balance, and what else has changed."""

    counts: dict[str, dict[str, int]] = field(default_factory=dict)
    files: list[SourceFile] = field(default_factory=list)
    settled: int = 0
    changed: int = 0


def read_again(run: Run, source: str, forgotten: str | None) -> Again:
    """Read every file of the source anew: into `run_changed`, `redo_waiting` and `run_ignored`."""
    con, name = run.con, quoted(source)
    con.execute(
        f"insert into run_replaced select event_id, month from base_events where source_name = {name}"
    )
    con.execute(f"create or replace temp table redo_waiting as {TABLES['quarantined'].empty_select()}")
    con.execute(
        "insert into run_ignored_files select distinct source_file_sha256 from base_ingests "
        f"where source_name = {name}"
    )
    rows = con.execute(
        "select ingest_id, source_file_sha256, path from base_ingests where source_name = "
        f"{name} and forgotten_at is null order by ingest_id, path, source_file_sha256"
    ).fetchall()
    groups: dict[str, list[tuple[str, str]]] = {}
    for ingest_id, sha, path in rows:
        if sha != forgotten:
            groups.setdefault(ingest_id, []).append((sha, path))
    told = Again()
    for place, (ingest_id, files) in enumerate(groups.items()):
        run.tell(f"read {source} again, ingest {place + 1} of {len(groups)}")
        _one_ingest(run, source, place, ingest_id, files, told)
    columns = "source_file_sha256 as sha, source_record as record"
    cut = superseded.find(
        run,
        source,
        f"select {columns}, byte_offset, byte_length from redo_waiting",
        f"select {columns} from redo_waiting",
        [file.original for file in told.files],
    )
    for sha, record in cut:
        con.execute(
            "delete from redo_waiting where source_file_sha256 = ? and source_record = ?", [sha, record]
        )
        told.counts[sha]["quarantined"] -= 1
        told.counts[sha]["duplicates"] += 1
    return told


def _one_ingest(
    run: Run, source: str, place: int, ingest_id: str, files: list[tuple[str, str]], told: Again
) -> None:
    con = run.con
    taken = [_counted_anew(run, source, number, sha, path) for number, (sha, path) in enumerate(files)]
    account = Account(con, f"redo{place}")
    account.open()
    staged = run.staged(f"r{place}", source, taken)
    for error in staged.staged.failures.values():
        raise error
    account.add(0, staged, taken)
    account.compare(known_events(run, account, 1))
    account.waiting_bytes("redo_waiting")
    counts = account.balance()
    told.counts.update({f.original.sha256: counts[f.number] for f in taken})
    told.settled += settle.settle(run, account)
    con.execute(
        f"insert into run_changed select * from ({events_select(con, account, 0, run.lists, ingest_id)})"
    )
    con.execute(f"insert into redo_waiting select * from ({quarantined_select(account, 0, ingest_id)})")
    ignored.read_again(con, account, run.lists, ingest_id)
    account.close()
    told.files += taken


def _counted_anew(run: Run, source: str, number: int, sha: str, path: str) -> SourceFile:
    """Count an original's records as the mapping now splits them; its own index is left alone."""
    before = originals.open_original(run.site.originals, sha)

    @contextlib.contextmanager
    def opened() -> Iterator[Callable[[int], bytes]]:
        blocks = (originals.read_frame(before, frame) for frame in before.frames)
        rest = bytearray()

        def read(size: int) -> bytes:
            while len(rest) < size and (block := next(blocks, None)) is not None:
                rest.extend(block)
            told = bytes(rest[:size])
            del rest[:size]
            return told

        yield read

    reading = reading_of(run.mappings[source], run.site.settings.limits)
    folder = run.site.originals / FOLDER
    return derive.kept_file(number, path, originals.archive(Path(sha), folder, reading, opened(), shown=path))


def keep_counts(files: list[SourceFile], folder: Path) -> None:
    """Put the new index beside each original whose records are split another way now."""
    for file in files:
        for new in (file.original.path, file.original.path.with_suffix(".json")):
            old = folder / new.name
            if old.read_bytes() != new.read_bytes():
                new.replace(old)


def leave_what_is_the_same(run: Run, source: str, told: Again) -> None:
    """Take unchanged events out of what is written, and note which pumps are concerned."""
    con, name = run.con, quoted(source)
    # the ingest that a record came in with is lineage: after a retry it is another than the file's
    whole = ", ".join(f'"{c}"' for c in TABLES["events"].names if c != "ingest_id")
    con.execute(
        "create or replace temp table redo_same as select event_id from "
        f"(select event_id, hash({whole}) as h from run_changed where source_name = {name}) c join "
        f"(select event_id, hash({whole}) as h from base_events where source_name = {name}) b "
        "using (event_id) where b.h = c.h"
    )
    for table in ("run_replaced", "run_changed"):
        con.execute(f"delete from {table} where event_id in (select event_id from redo_same)")
    touched = (
        f"(select event_id from run_changed where source_name = {name} union select event_id from "
        "base_events "
        f"where source_name = {name} and event_id in (select event_id from run_replaced))"
    )
    told.changed = int(con.execute(f"select count(*) from {touched}").fetchall()[0][0])
    # no moment: what is gone may have stood for older things too, as a channel that nothing else names
    for table in ("base_events", "run_changed"):
        con.execute(
            f"insert into run_touched select distinct facility, pump_id, null from {table} "
            f"where event_id in {touched}"
        )
    columns = "facility, pump_id, sequence, device_time"
    old = f"(select {columns} from base_quarantined where source_name = {name})"
    con.execute(
        "insert into run_touched select facility, pump_id, min(device_time) at time zone 'UTC' - interval 1 "
        f"day from (({old} except select {columns} from redo_waiting) union all "
        f"(select {columns} from redo_waiting except {old})) where pump_id is not null and device_time "
        "is not "
        "null group by facility, pump_id"
    )
