"""What a writer that did not come to its commit leaves behind, and how it is taken away.

A writer leaves a mark while it is at work, and its token stands in the name of every data file that it
writes. Whoever writes next, and finds the mark of a process that is gone, takes away the files of that token
which no commit names; a writer that fails does it itself. A token is drawn anew each time: should the lock
ever fail, no writer overwrites another's file, or takes it away.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dripledger.schema import TABLES
from dripledger.store.commits import COMMITS
from dripledger.store.layout import is_running
from dripledger.store.snapshot import Snapshot

_PREFIX: Final = "writing-"
#: Tokens of writers of this process that are at work.
_own: set[str] = set()


@dataclass(frozen=True, slots=True)
class Mark:
    """The mark of one writer: a file below the store, named by its process and its token."""

    path: Path
    token: str
    made_ns: int

    def remove(self) -> None:
        """Take the mark away: nothing is left behind."""
        self.forget()
        self.path.unlink(missing_ok=True)

    def forget(self) -> None:
        """End without having tidied up: whoever writes next does it."""
        _own.discard(self.token)


def make_mark(root: Path) -> Mark:
    """Leave the mark of a writer that begins.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    token = secrets.token_hex(8)
    path = root / f"{_PREFIX}{os.getpid()}-{token}"
    path.touch(mode=0o600, exist_ok=False)
    _own.add(token)
    return Mark(path, token, path.stat().st_mtime_ns)


def dead_marks(root: Path) -> list[Mark]:
    """Return the marks of writers that are gone: that of a running process stays, even if the lock failed."""
    found = []
    for path in sorted(root.glob(f"{_PREFIX}*-*")):
        pid, _, token = path.name.removeprefix(_PREFIX).partition("-")
        if not pid.isdigit() or not token:
            continue
        # numbers come back: one like this process's own may be of an earlier one
        at_work = token in _own if int(pid) == os.getpid() else is_running(int(pid))
        if not at_work:
            found.append(Mark(path, token, path.stat().st_mtime_ns))
    return found


def named_files(snapshot: Snapshot) -> frozenset[str]:
    """Return the data files that any commit up to a version names, and those of `commits`."""
    commits = snapshot.files(COMMITS.name)
    return frozenset(name for row in snapshot.history for name in row.files) | {
        Path(name).relative_to(snapshot.root).as_posix() for name in commits
    }


def take_away(root: Path, mark: Mark, named: Collection[str], *, gathered: bool) -> None:
    """Remove the data files of one writer that no commit names.

    Parameters
    ----------
    root
        The store's folder.
    mark
        The writer's mark.
    named
        Data files that stay, as paths below the store: every one of this writer that a commit names.
    gathered
        Whether it may have put small files together and not committed. The `deltalake` package names those by
        itself: of such files the ones go that are not older than the mark; `named` has to hold all others.

    Raises
    ------
    OSError
        If a file cannot be removed.
    """
    found = [*data_files(root, f"*-{mark.token}-*.parquet", (*TABLES, COMMITS.name))]
    if gathered:
        # while it is written, such a file has another ending
        parts = data_files(root, "part-*.parquet*")
        found += [path for path in parts if path.stat().st_mtime_ns >= mark.made_ns]
    for path in found:
        if path.relative_to(root).as_posix() not in named:
            path.unlink(missing_ok=True)


def unnamed_files(snapshot: Snapshot) -> Iterator[Path]:
    """Yield the data files of the store's tables that no commit up to a version names, sorted."""
    named = named_files(snapshot)
    for path in data_files(snapshot.root):
        if path.relative_to(snapshot.root).as_posix() not in named:
            yield path


def data_files(root: Path, pattern: str = "*.parquet*", tables: Iterable[str] = TABLES) -> Iterator[Path]:
    """Yield the data files of the store's tables, sorted; without those of `commits` unless it is named."""
    for table in tables:
        for path in sorted((root / table).rglob(pattern)):
            if path.parent.name != "_delta_log":
                yield path
