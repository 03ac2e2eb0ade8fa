"""Results to stdout as a table, CSV, JSON or parquet; messages to stderr."""

from __future__ import annotations

import csv
import io
import json
import os
import sys
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from dripledger.errors import UsageError

if TYPE_CHECKING:
    import pyarrow as pa

    from dripledger.events.result import IngestResult


def say(message: str) -> None:
    """Print a message for people to stderr."""
    print(message, file=sys.stderr)


def balance_sentence(result: IngestResult) -> str:
    """Return the ledger balance as one sentence."""
    return (
        f"{result.total('rows_read')} records read = {result.total('events_kept')} kept"
        f" + {result.total('duplicates')} duplicates + {result.total('quarantined')} in quarantine"
        f" + {result.total('rows_ignored')} ignored by a rule:"
        f" {'balanced' if result.balanced else 'NOT BALANCED'};"
        f" {result.total('events')} events, store version {result.store_version}."
    )


def chosen_format(given: str | None) -> str:
    """Return the form of the result: as asked, else a table on a terminal and CSV into a pipe."""
    if given == "parquet" and sys.stdout.isatty():
        raise UsageError("parquet is no text for a terminal", do="Send it to a file: ... > result.parquet")
    return given or ("table" if sys.stdout.isatty() else "csv")


def emit(
    data: pa.Table, form: str | None, *, document: Any = None, total: dict[str, Any] | None = None
) -> None:
    """Print one result.

    Parameters
    ----------
    data
        The result as a table.
    form
        'table', 'csv', 'json', 'parquet', or None for the default of the place that stdout goes to.
    document
        What JSON prints instead of the list of rows.
    total
        One more row for the drawn table only: CSV and parquet hold rows of one kind.
    """
    form = chosen_format(form)
    data = data.rename_columns(_unique(data.column_names))
    if form == "parquet":
        _emit_parquet(data)
    elif form == "json":
        shown = _records(data) if document is None else document
        print(json.dumps(shown, indent=2, ensure_ascii=False, default=_json_value))
    elif form == "csv":
        _emit_csv(data)
    else:
        _draw(data, total)


def _unique(names: list[str]) -> list[str]:
    """Return the names, numbering those that occur again, so that no column hides another."""
    made: list[str] = []
    for name in names:
        candidate, number = name, 1
        while candidate in made:
            number += 1
            candidate = f"{name}_{number}"
        made.append(candidate)
    return made


def _records(data: pa.Table) -> list[dict[str, Any]]:
    return [dict(row) for row in data.to_pylist()]


def _json_value(value: Any) -> Any:
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, bytes):
        return value.hex()
    return _text(value)


def _text(value: Any) -> str:
    """Return a value as a cell of CSV or of a drawn table: null is empty, an instant is ISO 8601 in UTC."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        plain = format(value, "f")
        return plain.rstrip("0").rstrip(".") if "." in plain else plain
    if isinstance(value, datetime):
        if value.tzinfo is None:
            return value.isoformat(sep=" ")
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list):
        return "|".join(_text(item) for item in value)
    if isinstance(value, dict):
        return json.dumps(value, ensure_ascii=False, default=_json_value)
    return str(value)


def _emit_csv(data: pa.Table) -> None:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(data.column_names)
    for batch in data.to_batches(max_chunksize=10_000):
        writer.writerows([_text(value) for value in row.values()] for row in batch.to_pylist())
        sys.stdout.write(buffer.getvalue())
        buffer.seek(0)
        buffer.truncate()
    sys.stdout.write(buffer.getvalue())


def _emit_parquet(data: pa.Table) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    sink = pa.BufferOutputStream()
    pq.write_table(data, sink, compression="zstd")
    sys.stdout.flush()
    sys.stdout.buffer.write(sink.getvalue().to_pybytes())


def _printable(text: str) -> str:
    """Show control characters as escapes: labels of a log must not steer the reader's terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def _draw(data: pa.Table, total: dict[str, Any] | None) -> None:
    names = data.column_names
    rows = [[_printable(_text(row[name])) for name in names] for row in data.to_pylist()]
    if total is not None:
        rows.append([_printable(_text(total.get(name))) for name in names])
    numeric = [_is_number(field.type) for field in data.schema]
    widths = [max([len(name), *(len(row[i]) for row in rows)]) for i, name in enumerate(names)]

    def line(cells: list[str]) -> str:
        padded = [
            cell.rjust(width) if right else cell.ljust(width)
            for cell, width, right in zip(cells, widths, numeric, strict=True)
        ]
        return "  ".join(padded).rstrip()

    head = line(names)
    print(f"\x1b[1m{head}\x1b[0m" if _colour() else head)
    print("  ".join("-" * width for width in widths))
    for row in rows:
        print(line(row))


def _is_number(kind: pa.DataType) -> bool:
    import pyarrow.types as pt

    return bool(pt.is_integer(kind) or pt.is_floating(kind) or pt.is_decimal(kind))


def _colour() -> bool:
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
