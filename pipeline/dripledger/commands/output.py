"""What every verb says and prints: messages to stderr, results to stdout."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from datetime import tzinfo
from typing import TYPE_CHECKING, Any

from dripledger.errors import UsageError, printable

if TYPE_CHECKING:
    import pyarrow as pa

    from dripledger.events.result import IngestResult


_silent = False


@contextlib.contextmanager
def silenced() -> Iterator[None]:
    """Print neither messages nor results in this block, but those whose form was asked for."""
    global _silent
    _silent = True
    try:
        yield
    finally:
        _silent = False


def is_silent() -> bool:
    """Whether a `silenced` block runs."""
    return _silent


def show(text: str) -> None:
    """Print a result of one line to stdout."""
    if not _silent:
        print(text)


def say(message: str) -> None:
    """Print a message for people to stderr; what would steer a terminal is shown as its codes."""
    if not _silent:
        print("\n".join(printable(line) for line in message.split("\n")), file=sys.stderr)


def counted(number: int, one: str, more: str) -> str:
    """Return a number with the words that go with it: ``1 record waits``, ``2 records wait``."""
    return f"{number} {one if number == 1 else more}"


def balance_sentence(result: IngestResult) -> str:
    """Return the ledger balance as one sentence."""
    return (
        f"{counted(result.total('rows_read'), 'record', 'records')} read = {result.total('events_kept')} kept"
        f" + {counted(result.total('duplicates'), 'duplicate', 'duplicates')}"
        f" + {result.total('quarantined')} in quarantine + {result.total('rows_ignored')} ignored by a rule:"
        f" {'balanced' if result.balanced else 'NOT BALANCED'};"
        f" {counted(result.total('events'), 'event', 'events')}, store version {result.store_version}."
    )


def chosen_format(given: str | None) -> str:
    """Return the form of the result: as asked, else a table on a terminal and CSV into a pipe.

    Raises
    ------
    UsageError
        If parquet would go to a terminal: told before any work is done.
    """
    if given == "parquet" and sys.stdout.isatty():
        raise UsageError("parquet is no text for a terminal", do="Send it to a file: ... > result.parquet")
    return given or ("table" if sys.stdout.isatty() else "csv")


def emit(
    data: pa.Table,
    form: str | None,
    *,
    document: Any = None,
    total: dict[str, Any] | None = None,
    zone: tzinfo | None = None,
) -> None:
    """Print one result to stdout; see `dripledger.output.write_table`."""
    from dripledger.output import write_table

    if _silent and form is None:
        return

    write_table(data, sys.stdout, chosen_format(form), zone, document=document, total=total)


def emit_stream(answer: pa.RecordBatchReader, form: str) -> None:
    """Print a result of any length to stdout; see `dripledger.output.write_stream`."""
    from dripledger.output import write_stream

    write_stream(answer, sys.stdout, form)
