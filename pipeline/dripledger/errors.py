"""Errors for people: what is wrong, where, and what to do about it.

Every error that a user can cause derives from `DripledgerError`. The command line prints it as one short
message without a traceback and ends with the class's exit code; a traceback is always a defect of ours.
"""

from __future__ import annotations

import errno
from pathlib import Path
from typing import ClassVar, Final


def printable(text: str) -> str:
    """Return a text with whatever would act on a terminal, or show nothing there, written as its code."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


class DripledgerError(Exception):
    """An error with an explanation for people.

    Parameters
    ----------
    what
        What is wrong, one sentence without a final full stop.
    where
        Where: a path, or text such as ``"site.toml, thresholds.false_start_s"``.
    do
        What the reader can do about it, one sentence.
    row, column
        Position inside the file, where there is one (rows count from 1, the header is row 1).
    """

    exit_code: ClassVar[int] = 1

    def __init__(
        self,
        what: str,
        *,
        where: str | Path | None = None,
        do: str | None = None,
        row: int | None = None,
        column: str | None = None,
    ) -> None:
        super().__init__(what)
        self.what = what
        self.where = None if where is None else str(where)
        self.do = do
        self.row = row
        self.column = column

    def __str__(self) -> str:
        place = self.where or ""
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column {self.column!r}"
        text = f"{place.removeprefix(', ')}: {self.what}" if place else self.what
        text = text.rstrip(".") + "."
        if self.do:
            text += f" {self.do.rstrip('.')}."
        return printable(text)


class UsageError(DripledgerError):
    """The command line asks for something that does not exist or contradicts itself."""

    exit_code = 2


class ConfigurationError(DripledgerError):
    """A site file, a mapping, a library or a person's list is wrong."""

    exit_code = 2


class StoreFormatError(DripledgerError):
    """The store was written by a newer version, is older and needs `upgrade`, or is no store."""

    exit_code = 2


class MachineError(DripledgerError):
    """The machine fails the run: the disk is full, or a file cannot be written."""

    exit_code = 1


class InputError(DripledgerError):
    """An input file cannot be read at all; the others are committed."""

    exit_code = 3


class VerificationError(DripledgerError):
    """Hashes, versions or the balance do not agree with what was written down."""

    exit_code = 5


class StoreBusyError(DripledgerError):
    """Another process is writing to this store."""

    exit_code = 6


#: What the system says where a disk is full, or fails: by number, and as other libraries pass it on.
_FULL: Final = {
    errno.ENOSPC: "No space left on device",
    errno.EDQUOT: "Disk quota exceeded",
    errno.EFBIG: "File too large",
}
_FAILED: Final = {errno.EIO: "Input/output error", errno.EROFS: "Read-only file system"}


def cannot_write(where: str | Path | None, why: str) -> MachineError:
    """Return the message that the disk took no more, in the system's own word."""
    given_up = "this run was given up, and what was committed before stands as it was"
    full = any(word in why for word in _FULL.values())
    return MachineError(
        f"{why}: the disk is full, so {given_up}" if full else f"{why}: the disk failed, so {given_up}",
        where=where,
        do="Make room and run the command again" if full else "Look after the disk and run the command again",
    )


def disk_failure(error: BaseException) -> MachineError | None:
    """Return what to tell where the disk is what lies behind an error of whatever library; else None."""
    words = {**_FULL, **_FAILED}
    at: BaseException | None = error
    while at is not None:
        if isinstance(at, OSError) and at.errno in words:
            return cannot_write(at.filename, at.strerror or words[at.errno])
        for word in words.values():
            if word in str(at):
                return cannot_write(None, word)
        at = at.__cause__ or at.__context__
    return None


#: Exit code of a run that is done but quarantined a larger share than the site allows.
EXIT_QUARANTINE_SHARE = 4
#: Exit code of a run that the user interrupted.
EXIT_INTERRUPTED = 130
