"""Runs that nobody watches: silent when all is well, one line when not, a log, and a summary for a monitor.

Neither log nor summary holds a value of a record: only counts, names of files, and kinds of error with their
place. The one line of a failure stands in the summary as it stood on the terminal.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
from argparse import Namespace
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dripledger import __version__
from dripledger.commands.output import silenced
from dripledger.errors import DripledgerError, UsageError, printable

if TYPE_CHECKING:
    from dripledger.events.result import IngestResult

#: A log over this size is set aside as ``.1``, and the older ones move on; the last one goes.
LOG_BYTES: Final = 1 << 20
LOGS_KEPT: Final = 5
#: How long to wait for another run that is writing a line.
_LOCK_S: Final = 10.0


@dataclass
class Watch:
    """One run of a command, and what is written down of it.

    Parameters
    ----------
    command
        The verb.
    quiet
        Whether nothing is said while all is well.
    log, summary
        Where to write; None: nowhere.
    """

    command: str = ""
    quiet: bool = False
    log: Path | None = None
    summary: Path | None = None
    began: float = 0.0
    run_id: str = ""
    noted: dict[str, Any] = field(default_factory=dict)
    message: str | None = None
    _ended: bool = False

    @classmethod
    def begin(cls, args: Namespace) -> Watch:
        """Begin to watch a run, as the command line asks for it.

        Raises
        ------
        UsageError
            If the log or the summary cannot be written: told before any work is done.
        """
        log, summary = getattr(args, "log", None), getattr(args, "summary", None)
        began = time.time()
        watch = cls(
            args.command, bool(getattr(args, "quiet", False)), None if log is None else Path(log),
            None if summary is None else Path(summary), began,
            f"{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime(began))}-{os.getpid()}",
        )  # fmt: skip
        for option, path in (("--summary", watch.summary), ("--log", watch.log)):
            if path is not None and (path.is_dir() or not path.absolute().parent.is_dir()):
                raise UsageError(
                    "is no place for a file", where=f"{option} {path}", do="Make its folder first"
                )
        args.watch = watch
        watch._write("begins")
        return watch

    @contextlib.contextmanager
    def silence(self) -> Iterator[None]:
        """Keep everything but the one line of a failure from being printed, if the run is to be quiet."""
        with silenced() if self.quiet else contextlib.nullcontext():
            yield

    def ingested(self, result: IngestResult) -> None:
        """Take down what an ingest did."""
        counts = {name: value for name, value in result.as_json().items() if name != "files"}
        self.noted = {
            **counts,
            "files_read": sum(not file.already_read for file in result.files),
            "files_known": sum(file.already_read for file in result.files),
            "files_unreadable": len(result.failures),
            "files_unclaimed": len(result.unclaimed),
            "files_still_written": len(result.left),
        }
        for failure in result.failures:
            self._write(f"cannot be read: {_place(failure)}")
        if result.failures:
            more = f" And {len(result.failures) - 1} more." if len(result.failures) > 1 else ""
            self.message = f"{result.failures[0]}{more}"
        elif result.exit_code:
            self.message = (
                f"{result.total('quarantined')} of {result.total('rows_read')} records of this run are in "
                f"quarantine, a share over {result.quarantine_share_max:g}. See 'dripledger quarantine'."
            )

    def ended(self, code: int, error: BaseException | None = None, told: str | None = None) -> int:
        """Take down how the run ended.

        Parameters
        ----------
        code
            Its exit code.
        error
            What ended it, where something did.
        told
            The message that was printed for it.

        Returns
        -------
        int
            The exit code; 1 where all was well but this could not be written down.
        """
        if self._ended:
            return code
        self._ended = True
        if told is not None:
            self.message = told
        elif self.quiet and code and self.message is not None:
            _print_line(self.message)
        ended = time.time()
        parts = [f"ended with {code} after {ended - self.began:.1f} s"]
        if error is not None:
            parts.append(_place(error))
        parts += [f"{name} {value}" for name, value in self.noted.items() if value is not None]
        try:
            self._write("; ".join(parts))
            if self.summary is not None:
                self._summarise(self.summary, code, error, ended)
        except OSError as failure:
            _print_line(f"{failure.filename or self.log}: cannot be written: {failure.strerror}.")
            return code or 1
        return code

    def _summarise(self, path: Path, code: int, error: BaseException | None, ended: float) -> None:
        """Write the summary, whole or not at all."""
        told = {
            "run_id": self.run_id,
            "command": self.command,
            "code_version": __version__,
            "began_at": _instant(self.began),
            "ended_at": _instant(ended),
            "seconds": round(ended - self.began, 3),
            "ok": code == 0,
            "exit_code": code,
            "error": None if error is None else type(error).__name__,
            "message": self.message,
            **self.noted,
        }
        beside = path.with_name(f".{path.name}.{os.getpid()}")
        beside.write_text(json.dumps(told, indent=2) + "\n", encoding="utf-8")
        beside.replace(path)

    def _write(self, text: str) -> None:
        """Add a line to the log."""
        if self.log is None:
            return
        from filelock import FileLock

        line = f"{_instant(time.time())} {self.run_id} {self.command} {printable(text)}\n"
        with FileLock(f"{self.log}.lock", timeout=_LOCK_S, mode=0o600):
            if self.log.is_file() and self.log.stat().st_size + len(line) > LOG_BYTES:
                for number in range(LOGS_KEPT, 0, -1):
                    older = Path(f"{self.log}.{number - 1}") if number > 1 else self.log
                    if older.is_file():
                        older.replace(f"{self.log}.{number}")
            place = os.open(self.log, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
            with open(place, "w", encoding="utf-8") as file:  # noqa: PTH123 (a descriptor, not a path)
                file.write(line)


def _print_line(message: str) -> None:
    import sys

    print(f"dripledger: {printable(message)}", file=sys.stderr)


def _instant(moment: float) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(moment))


def _place(error: BaseException) -> str:
    """Return the kind of an error and its place, without what it says: that may quote a value."""
    if isinstance(error, DripledgerError):
        place = error.where or ""
        row = "" if error.row is None else f", row {error.row}"
        return f"{type(error).__name__} {place}{row}".strip()
    return type(error).__name__
