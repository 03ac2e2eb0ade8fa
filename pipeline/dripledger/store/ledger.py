"""The ledger on disk: open it, read a version, write the next one."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from filelock import FileLock, Timeout
from pyarrow import ArrowException

from dripledger.errors import DripledgerError, StoreBusyError, StoreFormatError, UsageError
from dripledger.schema import TABLES
from dripledger.store import delta, remains
from dripledger.store.commits import COMMITS, CommitKey, read_keys, read_rows
from dripledger.store.layout import (
    FORMAT,
    check_format,
    check_path,
    declarations_folder,
    format_file,
    lock_file,
    owner_only,
    read_format,
    write_whole,
)
from dripledger.store.snapshot import Snapshot
from dripledger.store.writer import Writer


class Ledger:
    """A store folder that was found to be sound enough to open.

    Make one with `open`, `create` or `open_or_create`.
    """

    def __init__(self, root: Path) -> None:
        self.root = root

    @classmethod
    def exists(cls, root: Path) -> bool:
        """Whether there is a store in that folder (of whatever format)."""
        return format_file(root).exists()

    @classmethod
    def open(cls, root: Path) -> Ledger:
        """Open the store in a folder.

        Raises
        ------
        StoreFormatError
            If there is none, or it has another format; the message names both numbers.
        ConfigurationError
            If the path cannot hold a store.
        """
        root = root.resolve()
        check_path(root)
        check_format(root)
        return cls(root)

    @classmethod
    def create(cls, root: Path) -> Ledger:
        """Make an empty store.

        Raises
        ------
        StoreFormatError
            If there is a store already, or what is left of one.
        StoreBusyError
            If another process makes one there at this moment.
        """
        root = root.resolve()
        check_path(root)
        with owner_only():
            root.mkdir(parents=True, exist_ok=True)
            with _locked(root, 30):
                if read_format(root) is not None:
                    raise StoreFormatError("there is a store here already", where=root)
                _make(root)
        return cls(root)

    @classmethod
    def open_or_create(cls, root: Path) -> Ledger:
        """Open the store in a folder; make an empty one where there is none."""
        if not cls.exists(root):
            try:
                cls.create(root)
            except StoreFormatError:
                # two processes may come here at once: the second finds the first one's store
                if not cls.exists(root):
                    raise
        return cls.open(root)

    def snapshot(self, as_of: str | None = None, zone: ZoneInfo | None = None) -> Snapshot:
        """Return one version of the store.

        Parameters
        ----------
        as_of
            None: the newest; a version number ("3"); or a date ("2026-10-31"): the last commit up to the
            end of that day in `zone`.
        zone
            The facility's time zone; default UTC.

        Raises
        ------
        UsageError
            If there is no such version, or no commit up to then.
        """
        handle = delta.open_at(self.root / COMMITS.name)
        folder = self.root / COMMITS.name
        files = [str(folder / name) for name in delta.relative_files(handle)]
        keys = read_keys(files)
        key = self._resolve(keys, as_of, zone or ZoneInfo("UTC"))
        if key is None:
            return Snapshot(self.root, None, files)
        return Snapshot(self.root, read_rows([key.path], key.version)[0], files)

    def _resolve(self, keys: list[CommitKey], as_of: str | None, zone: ZoneInfo) -> CommitKey | None:
        if as_of is None:
            return keys[-1] if keys else None
        text = as_of.strip()
        if text.isascii() and text.isdigit():
            return self._version(keys, int(text))
        try:
            day = date.fromisoformat(text)
        except ValueError:
            raise UsageError(
                f"{as_of!r} is neither a store version nor a date",
                where="--as-of",
                do="Give a version such as 3, or a date such as 2026-10-31",
            ) from None
        try:
            end = datetime.combine(day + timedelta(days=1), time(), zone).astimezone(UTC)
        except OverflowError:
            end = datetime.max.replace(tzinfo=UTC)
        found = [key for key in keys if key.committed_at < end]
        if not found:
            first = (
                f"the first commit is of {keys[0].committed_at.astimezone(zone):%Y-%m-%d %H:%M} ({zone.key})"
                if keys
                else "nothing has been committed yet"
            )
            raise UsageError(
                f"the store had no version by the end of {day.isoformat()}: {first}",
                where="--as-of",
                do="Give a later date",
            )
        return found[-1]

    def _version(self, keys: list[CommitKey], number: int) -> CommitKey | None:
        if number == 0:
            return None
        for key in keys:
            if key.version == number:
                return key
        have = f"its newest is {keys[-1].version}" if keys else "nothing has been committed yet"
        raise UsageError(f"the store has no version {number}: {have}", where="--as-of")

    @contextlib.contextmanager
    def write(self, wait_s: float = 30, *, at: datetime | None = None) -> Iterator[Writer]:
        """Hold the lock and write the next version.

        Tables that an interrupted writer left ahead of `commits` are restored first, and its data files
        taken away. Leaving the block without `Writer.commit` changes nothing that a reader can see, and takes
        away what was written.

        Parameters
        ----------
        wait_s
            Seconds to wait for another writer to finish.
        at
            Time of the commit, with a time zone; default: now.

        Raises
        ------
        StoreBusyError
            If another writer still holds the lock after `wait_s` seconds.
        """
        if at is not None and at.tzinfo is None:
            raise ValueError("the time of a commit needs a time zone")
        with owner_only(), _locked(self.root, wait_s):
            check_format(self.root)
            base = self.snapshot()
            for dead in remains.dead_marks(self.root):
                remains.take_away(self.root, dead, remains.named_files(base), gathered=True)
                dead.remove()
            mark = remains.make_mark(self.root)
            writer = None
            try:
                writer = Writer(self.root, base, mark.token, at)
                yield writer
            finally:
                if writer is None or self._tidied(writer, mark):
                    mark.remove()
                else:
                    mark.forget()

    def _tidied(self, writer: Writer, mark: remains.Mark) -> bool:
        """Take away what a writer wrote and no commit names; whether that could be done.

        After a commit that is what it wrote and then wrote anew, or put together. This must not fail, for
        what failed the writer is told by whoever calls: the mark stays, and the next writer does it.
        """
        try:
            # a commit can fail when it is visible already: what it names stays
            named = writer.named if writer.committed else remains.named_files(self.snapshot())
            remains.take_away(self.root, mark, named, gathered=writer.gathered and not writer.committed)
        except (OSError, DripledgerError, ArrowException):
            return False
        return True


@contextlib.contextmanager
def _locked(root: Path, wait_s: float) -> Iterator[None]:
    # the operating system frees this lock when its holder dies, however it dies
    lock = FileLock(lock_file(root), timeout=max(wait_s, 0), mode=0o600)
    try:
        lock.acquire(poll_interval=0.05)
    except Timeout:
        raise StoreBusyError(
            f"another process is writing to this store; waited {wait_s:g} s",
            where=root,
            do="Wait until it is done, or give a longer --wait",
        ) from None
    try:
        yield
    finally:
        lock.release()


def _make(root: Path) -> None:
    """Make the tables, then the format number: a store is one only when it is whole."""
    commits = root / COMMITS.name
    if delta.is_table(commits) and delta.open_at(commits).version() > 0:
        raise StoreFormatError(
            "there are tables here with committed rows but no format.json",
            where=root,
            do=f'Restore {format_file(root).name} from a backup; this version writes {{"format": {FORMAT}}}',
        )
    declarations_folder(root).mkdir(exist_ok=True)
    for name, table in {**TABLES, COMMITS.name: COMMITS}.items():
        delta.create(root / name, table)
    write_whole(format_file(root), json.dumps({"format": FORMAT}).encode() + b"\n")
