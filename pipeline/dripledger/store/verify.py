"""Whether the store on disk is still what its commits wrote down."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import duckdb
from filelock import FileLock, Timeout

from dripledger.engine import connect
from dripledger.errors import DripledgerError
from dripledger.schema import TABLES
from dripledger.store import delta
from dripledger.store.commits import COMMITS, CommitRow, file_sha256, list_sha256
from dripledger.store.layout import declarations_folder, lock_file, spill_folder
from dripledger.store.ledger import Ledger
from dripledger.store.remains import data_files
from dripledger.store.snapshot import Snapshot

#: How a finding begins that the next ingest mends by itself.
INTERRUPTED: Final = "an interrupted write"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that verification found.

    Parameters
    ----------
    level
        ``error``: the store is not what it should be; ``note``: worth knowing, nothing is wrong.
    where
        Path below the store, table or version.
    what
        What was found, one sentence without a final full stop.
    """

    level: Literal["error", "note"]
    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.level}: {self.where}: {self.what}."


def verify_store(root: Path) -> list[Finding]:
    """Check every version of a store: files and their hashes, tables, declarations, balance, identities.

    Parameters
    ----------
    root
        The store's folder; it is only read.

    Returns
    -------
    list of Finding
        Errors first; no error means that the store is sound.

    Raises
    ------
    StoreFormatError
        If there is no store of this format.
    """
    ledger = Ledger.open(root)
    findings = list(_check(ledger))
    return sorted(findings, key=lambda item: (item.level != "error", item.where, item.what))


def is_sound(findings: list[Finding]) -> bool:
    """Whether there is no error among the findings."""
    return all(item.level != "error" for item in findings)


def _check(ledger: Ledger) -> Iterator[Finding]:
    try:
        snapshot = ledger.snapshot()
        history = snapshot.history
    except Exception as error:
        yield Finding("error", COMMITS.name, f"the table cannot be read: {_first_line(error)}")
        return
    yield from _chain(history)
    known = {path: digest for row in history for path, digest in row.files.items()}
    yield from _files(ledger.root, known)
    yield from _versions(ledger.root, history, known)
    yield from _ahead(ledger.root, snapshot)
    yield from _declarations(ledger.root, history)
    yield from _contents(snapshot)
    yield from _orphans(ledger.root, known)


def _chain(history: list[CommitRow]) -> Iterator[Finding]:
    before = ""
    for expected, row in enumerate(history, start=1):
        if row.version != expected:
            yield Finding("error", COMMITS.name, f"version {expected} is missing")
            return
        if row.chained(before) != row.chain_sha256:
            yield Finding("error", COMMITS.name, f"the row of version {row.version} was changed")
        before = row.chain_sha256


def _files(root: Path, known: dict[str, str]) -> Iterator[Finding]:
    for path, digest in sorted(known.items()):
        try:
            found = file_sha256(root / path)
        except FileNotFoundError:
            yield Finding("error", path, "the data file is missing")
        except OSError as error:
            yield Finding("error", path, f"the data file cannot be read: {error.strerror}")
        else:
            if found != digest:
                yield Finding("error", path, "the data file's content is not what was committed")


def _versions(root: Path, history: list[CommitRow], known: dict[str, str]) -> Iterator[Finding]:
    """Each table opens at each version named, and holds only files whose hash was written down."""
    seen: set[tuple[str, int]] = set()
    for row in history:
        for table, version in sorted(row.table_versions.items()):
            if (table, version) in seen:
                continue
            seen.add((table, version))
            where = f"store version {row.version}"
            try:
                files = delta.relative_files(delta.open_at(root / table, version))
            except DripledgerError as error:
                yield Finding("error", where, error.what)
                continue
            if list_sha256(files) != row.table_files.get(table):
                yield Finding(
                    "error",
                    where,
                    f"{table} does not hold the files that were committed; its log was changed"[:],
                )
            for file in files:
                if f"{table}/{file}" not in known:
                    yield Finding("error", where, f"{table} names {file}, which no commit wrote down")


def _writer_at_work(root: Path) -> bool:
    if not lock_file(root).exists():
        return False
    try:
        with FileLock(lock_file(root), timeout=0, mode=0o600):
            return False
    except Timeout:
        return True
    except OSError:
        # a store that cannot be written to has no writer
        return False


def _ahead(root: Path, snapshot: Snapshot) -> Iterator[Finding]:
    busy = _writer_at_work(root)
    for table in TABLES:
        if not delta.is_table(root / table):
            if snapshot.row is not None and table in snapshot.row.table_versions:
                yield Finding("error", table, "the table is missing")
            continue
        try:
            head = delta.relative_files(delta.open_at(root / table))
            handle = snapshot.handle(table)
        except DripledgerError as error:
            yield Finding("error", table, error.what)
            continue
        if head != ([] if handle is None else delta.relative_files(handle)):
            if busy:
                yield Finding("note", table, "another process is writing to the table now")
            else:
                yield Finding(
                    "error",
                    table,
                    f"{INTERRUPTED} left the table ahead of the last commit; readers do not see it, "
                    "and the next ingest takes it back",
                )


def _declarations(root: Path, history: list[CommitRow]) -> Iterator[Finding]:
    named = {digest: name for row in history for name, digest in row.declarations.items()}
    for digest, name in sorted(named.items(), key=lambda item: (item[1], item[0])):
        path = declarations_folder(root) / digest
        where = f"declarations/{digest[:12]}"
        if not path.is_file():
            yield Finding("error", where, f"the copy of {name} is missing")
        elif file_sha256(path) != digest:
            yield Finding("error", where, f"the copy of {name} was changed")


def _contents(snapshot: Snapshot) -> Iterator[Finding]:
    with spill_folder(snapshot.root, "verify") as spill:
        con = connect(spill)
        try:
            snapshot.attach(con, ["events", "ignored", "ingests"])
            yield from _balance(con)
            yield from _identities(con)
        except (duckdb.Error, DripledgerError) as error:
            yield Finding(
                "error", f"store version {snapshot.version}", f"cannot be read: {_first_line(error)}"
            )
        finally:
            con.close()


_ACCOUNTED = "events_kept + duplicates + quarantined + rows_ignored"


def _balance(con: duckdb.DuckDBPyConnection) -> Iterator[Finding]:
    broken = con.execute(
        f"""
        select ingest_id, path, rows_read, {_ACCOUNTED} from ingests
        where rows_read is distinct from {_ACCOUNTED} order by ingest_id, path
        """
    ).fetchall()
    for ingest_id, path, read, accounted in broken:
        yield Finding(
            "error",
            "ingests",
            f"{path} (ingest {ingest_id}): {read} records were read and {accounted} are accounted for",
        )
    read, accounted = con.execute(
        f"select coalesce(sum(rows_read), 0), coalesce(sum({_ACCOUNTED}), 0) from ingests"
    ).fetchall()[0]
    if read != accounted:
        yield Finding(
            "error", "ingests", f"in total {read} records were read and {accounted} are accounted for"
        )


def _identities(con: duckdb.DuckDBPyConnection) -> Iterator[Finding]:
    twice, example = con.execute(
        """
        select count(*), min(event_id)
        from (select event_id from events group by event_id having count(*) > 1)
        """
    ).fetchall()[0]
    if twice:
        yield Finding("error", "events", f"{twice} event ids stand more than once, such as {example}")
    key = ", ".join(TABLES["ignored"].key)
    twice = con.execute(
        f"select count(*) from (select {key} from ignored group by all having count(*) > 1)"
    ).fetchall()[0][0]
    if twice:
        yield Finding("error", "ignored", f"{twice} ignored records stand more than once")


def _orphans(root: Path, known: dict[str, str]) -> Iterator[Finding]:
    for path in data_files(root):
        name = path.relative_to(root).as_posix()
        if name not in known:
            yield Finding("note", name, "no version names this file: a write left it behind")


def _first_line(error: BaseException) -> str:
    if isinstance(error, DripledgerError):
        return error.what
    return (str(error).strip().splitlines() or [type(error).__name__])[0].rstrip(".")
