"""Cut records that a later export holds whole: they wait no longer, and count as duplicates of these.

A record is cut where it waits and ends where its file ends. It is superseded where the record before it (or
the header) and its own bytes stand in another file of the source just so, its bytes begin a record there, and
that record does not wait.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pyarrow as pa

from dripledger.errors import InputError
from dripledger.events.final import WAITING_BATCH_ROWS
from dripledger.sources import originals
from dripledger.sources.originals import Original
from dripledger.sources.staging import quoted, splitter_of

if TYPE_CHECKING:
    from dripledger.events.account import Account
    from dripledger.events.run import Run

#: A longer stretch is no record with the one before it.
_LONGEST_BYTES: Final = 4 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Cut:
    """A waiting record that ends with its file, and its bytes with those before it.

    Parameters
    ----------
    sha, record
        Its file and number.
    stretch
        The record before it (or the header) and its own bytes.
    begins
        Where its own bytes begin in `stretch`.
    """

    sha: str
    record: int
    stretch: bytes
    begins: int


def mark_new(run: Run, account: Account, among: Iterable[tuple[str, Original]] = ()) -> None:
    """Let superseded records of an account count as duplicates, before its balance is drawn.

    Parameters
    ----------
    run, account
        The run, and an account whose waiting records have been read back.
    among
        (source, original) of further files that may hold them whole, beside the account's own.
    """
    con, n = run.con, account.name
    further = list(among)
    for source in _sources(account):
        waiting = (
            f"select f.sha, q.record, q.byte_offset, q.byte_length from {n}_quarantine q join {n}_files "
            "f using "
            f"(file_no) where q.source_name = {quoted(source)} and not q.waits_already"
        )
        files = _files_of(account, source) + [o for name, o in further if name == source]
        for sha, record in find(run, source, waiting, _waits(account), files):
            con.execute(
                f"update {n}_quarantine set waits_already = true where record = {record} and file_no = "
                f"(select file_no from {n}_files where sha = {quoted(sha)})"
            )


def superseded_of_base(run: Run, account: Account) -> list[tuple[str, int]]:
    """Return (SHA-256, record) of what waits in the ledger and an account's files hold whole."""
    found = []
    for source in _sources(account):
        waiting = (
            "select source_file_sha256, source_record, byte_offset, byte_length from base_quarantined "
            f"where source_name = {quoted(source)}"
        )
        found += find(run, source, waiting, _waits(account), _files_of(account, source))
    return found


def find(run: Run, source: str, waiting: str, waits: str, files: Sequence[Original]) -> list[tuple[str, int]]:
    """Return (SHA-256, record) of the cut records of a source that some files hold whole.

    Parameters
    ----------
    run
        The run.
    source
        The source.
    waiting
        SELECT of what may be cut: hash, record, byte offset, byte length.
    waits
        SELECT of (hash, record) of all that waits: what is itself waiting supersedes nothing.
    files
        The files to look in.
    """
    rows = run.con.execute(f"select * from ({waiting}) order by all").fetchall()
    found = []
    for sha, record, offset, length in rows:
        try:
            original = originals.open_original(run.site.originals, sha)
        except InputError:
            # verify tells of it; what is new is read all the same
            continue
        cut = _cut(run, source, original, record, offset, length)
        if cut is not None and _stands_whole(run, source, waits, cut, files):
            found.append((sha, record))
    return found


def _sources(account: Account) -> list[str]:
    return list(dict.fromkeys(told.mapping.name for told in account.sources.values()))


def _waits(account: Account) -> str:
    """Return the SELECT of what waits by an account, else (where it says nothing) by the ledger."""
    n = account.name
    tried = f"select f.sha, e.record from {n}_events e join {n}_files f using (file_no)"
    return (
        f"select f.sha as sha, q.record as record from {n}_quarantine q join {n}_files f using (file_no) "
        "union all "
        "select source_file_sha256, source_record from base_quarantined where (source_file_sha256, "
        "source_record) "
        f"not in ({tried})"
    )


def take_out(run: Run, records: Sequence[tuple[str, int]]) -> None:
    """Take records out of what waits; `derive.write_changed` has run, and nothing new was appended yet."""
    con = run.con
    con.execute("create or replace temp table run_whole_now (sha varchar, record bigint)")
    con.executemany("insert into run_whole_now values (?, ?)", [list(pair) for pair in records])
    gone = "(source_file_sha256, source_record) in (select (sha, record) from run_whole_now)"
    con.execute(
        "insert into run_touched select facility, pump_id, device_time at time zone 'UTC' - interval 1 day "
        f"from base_quarantined where {gone} and pump_id is not null and device_time is not null"
    )
    run.writer.replace(
        "quarantined",
        None,
        con.sql(
            f"select * from base_quarantined where not ({gone}) union all select * from run_waiting "
            "order by source_name, source_file_sha256, source_record"
        ).to_arrow_reader(WAITING_BATCH_ROWS),
    )


def as_duplicates(ledger: pa.Table, records: Sequence[tuple[str, int]]) -> pa.Table:
    """Return the ledger's rows with these records moved from quarantined to duplicates."""
    moved = Counter(sha for sha, _ in records)
    rows = ledger.to_pylist()
    for row in rows:
        number = moved.get(row["source_file_sha256"], 0)
        row["quarantined"] -= number
        row["duplicates"] += number
    return pa.Table.from_pylist(rows, schema=ledger.schema)


def _files_of(account: Account, source: str) -> list[Original]:
    return [
        file.original
        for number, file in sorted(account.files.items())
        if account.sources[account.source_of[number]].mapping.name == source
    ]


def _cut(run: Run, source: str, original: Original, record: int, offset: int, length: int) -> Cut | None:
    """Return a waiting record with what stands before it, where it ends with its file; else None."""
    if original.encoding == "none" or offset + length != original.size_bytes or record != original.records:
        return None
    begins = _header_at(original)
    if record > 1:
        splitter = splitter_of(run.mappings[source])
        for told in originals.read_records(original, splitter, [record - 1]):
            begins = told.offset
    if original.size_bytes - begins > _LONGEST_BYTES or not length:
        return None
    frames = [f for f in original.frames if f.offset + f.length > begins]
    data = b"".join(originals.read_frame(original, f) for f in frames)
    stretch = data[begins - frames[0].offset :]
    return Cut(original.sha256, record, stretch, offset - begins)


def _header_at(original: Original) -> int:
    """Return where the header begins, or without one the records: titles above them tell of the export."""
    if not original.body_offset:
        return 0
    above = b"".join(
        originals.read_frame(original, frame)
        for frame in original.frames
        if frame.offset < original.body_offset
    )
    header = original.header.decode("utf-8", "surrogateescape").encode(original.encoding, "surrogateescape")
    return max(above[: original.body_offset].rfind(header), 0) if header else original.body_offset


def _stands_whole(run: Run, source: str, waits: str, cut: Cut, files: Sequence[Original]) -> bool:
    for original in files:
        if original.sha256 == cut.sha or original.encoding == "none":
            continue
        for at in _places(original, cut.stretch):
            number = _record_at(run, source, original, at + cut.begins, len(cut.stretch) - cut.begins)
            if (
                number is not None
                and not run.con.execute(
                    f"select 1 from ({waits}) where sha = ? and record = ? limit 1", [original.sha256, number]
                ).fetchall()
            ):
                return True
    return False


def _places(original: Original, stretch: bytes) -> Iterable[int]:
    """Yield where in a file some bytes stand."""
    held, start = b"", 0
    for frame in original.frames:
        held += originals.read_frame(original, frame)
        at = held.find(stretch)
        while at >= 0:
            yield start + at
            at = held.find(stretch, at + 1)
        keep = min(len(held), len(stretch) - 1)
        start += len(held) - keep
        held = held[len(held) - keep :]


def _record_at(run: Run, source: str, original: Original, offset: int, length: int) -> int | None:
    """Return the number of the record that begins at an offset and is longer than what was cut; else None."""
    splitter = splitter_of(run.mappings[source])
    for frame in original.frames:
        if frame.offset <= offset < frame.offset + frame.length:
            numbers = range(frame.record, frame.record + frame.records)
            for told in originals.read_records(original, splitter, numbers):
                if told.offset == offset and told.length > length:
                    return told.number
    return None
