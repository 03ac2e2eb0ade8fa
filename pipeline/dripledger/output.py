"""A result on the way out: a drawn table for people, CSV, JSON or parquet for programs."""

from __future__ import annotations

import csv
import io
import json
import math
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from decimal import Decimal
from typing import Any, BinaryIO, Final, TextIO

import pyarrow as pa
import pyarrow.parquet as pq

from dripledger.errors import UsageError
from dripledger.far_moments import rows_of
from dripledger.lengths import length_text
from dripledger.widths import columns_of, padded, pieces, shrunk

FORMATS: Final = ("table", "csv", "json", "parquet")
_GAP: Final = "  "
_CHUNK_ROWS: Final = 10_000
#: A column of texts is folded to no less than this, and no cell to more lines than that.
_LEAST_TEXT: Final = 14
_MOST_LINES: Final = 3


def write_table(
    table: pa.Table,
    stream: TextIO,
    fmt: str | None = None,
    zone: tzinfo | None = None,
    width: int | None = None,
    *,
    document: Any = None,
    total: Mapping[str, Any] | None = None,
) -> None:
    """Write one result.

    Parameters
    ----------
    table
        The result.
    stream
        Where to; parquet goes to its ``buffer``.
    fmt
        'table', 'csv', 'json' or 'parquet'; None: a table on a terminal, else CSV.
    zone
        Zone in which instants are shown, with their offset; None: UTC. Parquet keeps instants as they are.
    width
        Columns that a drawn table may take; None: the terminal's width, without limit elsewhere. In a table
        that is wider long texts go on below themselves, up to three lines; one that would need more is
        written as one block of ``name: value`` lines a row.
    document
        What JSON writes instead of the list of rows.
    total
        One more row, for the drawn table only.

    Raises
    ------
    UsageError
        If there is no such format, or parquet would go to a terminal.
    """
    terminal = stream.isatty()
    form = fmt or ("table" if terminal else "csv")
    table = table.rename_columns(_distinct(table.column_names))
    if form == "parquet":
        _parquet(table, stream, terminal)
    elif form == "json":
        _json_rows(table, stream, zone) if document is None else stream.write(_json(document, zone) + "\n")
    elif form == "csv":
        _csv(table.column_names, _rows(table), stream, zone, terminal)
    elif form == "table":
        limit = width if width is not None else (terminal_width(stream) if terminal else None)
        _draw(table, stream, zone, limit, total)
    else:
        raise UsageError(f"there is no format {form!r}", do=f"The formats are {', '.join(FORMATS)}")


def write_stream(reader: pa.RecordBatchReader, stream: TextIO, fmt: str, zone: tzinfo | None = None) -> None:
    """Write a result batch by batch, so that one of any length takes little memory.

    Parameters
    ----------
    reader
        The result.
    stream
        Where to; parquet goes to its ``buffer``.
    fmt
        'csv' or 'parquet': the two that need not see the whole before the first row.
    zone
        Zone in which CSV shows instants; None: UTC.

    Raises
    ------
    UsageError
        If the format is neither, or parquet would go to a terminal.
    """
    names = _distinct(reader.schema.names)
    batches = (batch.rename_columns(names) for batch in reader)
    if fmt == "csv":
        rows = (row for batch in batches for row in rows_of(batch))
        _csv(names, rows, stream, zone, stream.isatty())
    elif fmt == "parquet":
        schema = pa.schema([field.with_name(name) for field, name in zip(reader.schema, names, strict=True)])
        _no_terminal(stream.isatty())
        stream.flush()
        with pq.ParquetWriter(pa.PythonFile(_Counted(stream.buffer), "w"), schema, compression="zstd") as out:
            for batch in batches:
                out.write_batch(batch)
        stream.buffer.flush()
    else:
        raise UsageError(f"a result cannot be streamed as {fmt!r}", do="Take csv or parquet")


class _Counted(io.RawIOBase):
    """A pipe that knows how much went through it, which a parquet writer asks for."""

    def __init__(self, sink: BinaryIO) -> None:
        super().__init__()
        self._sink = sink
        self._written = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._sink.write(data)
        self._written += len(data)
        return len(data)

    def tell(self) -> int:
        return self._written


def _distinct(names: Sequence[str]) -> list[str]:
    """Return the names, those that occur again with a number, so that no column hides another."""
    made: list[str] = []
    for name in names:
        candidate, number = name, 1
        while candidate in made:
            number += 1
            candidate = f"{name}_{number}"
        made.append(candidate)
    return made


def terminal_width(stream: TextIO) -> int:
    """Return how many columns a terminal has, or is said to have by the variable COLUMNS."""
    asked = os.environ.get("COLUMNS", "")
    if asked.isdigit() and int(asked) > 0:
        return int(asked)
    try:
        return os.get_terminal_size(stream.fileno()).columns or 80
    except (OSError, ValueError):
        return 80


# ---------------------------------------------------------------------------------------------- values


def text_of(value: Any, zone: tzinfo | None = None, *, between: str = "T") -> str:
    """Return a value as the text of one cell.

    Parameters
    ----------
    value
        What Arrow gives for a cell; null is empty.
    zone
        Zone of instants; None: UTC, written with ``Z``.
    between
        What stands between date and time of day.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        plain = format(value, "f")
        return plain.rstrip("0").rstrip(".") if "." in plain else plain
    if isinstance(value, datetime):
        if value.tzinfo is None:
            return value.isoformat(sep=between)
        if zone is None:
            return value.astimezone(UTC).replace(tzinfo=None).isoformat(sep=between) + "Z"
        try:
            return value.astimezone(zone).isoformat(sep=between)
        except OverflowError:
            return text_of(value, between=between)
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta | pa.MonthDayNano):
        return length_text(value)
    if isinstance(value, list):
        return "|".join(text_of(item, zone, between=between) for item in value)
    if isinstance(value, dict):
        return _json(value, zone, indent=None)
    if isinstance(value, bytes):
        return value.hex()
    return str(value)


def printable(text: str) -> str:
    """Show control characters as escapes: a label of a log must not steer the reader's terminal."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def _json(value: Any, zone: tzinfo | None, indent: int | None = 2, level: int = 0) -> str:
    """Return JSON text: decimals exact, NaN and infinity null, control characters as escapes."""
    if isinstance(value, Mapping):
        parts = [
            f"{_json_text(str(key))}: {_json(item, zone, indent, level + 1)}" for key, item in value.items()
        ]
        return _brackets("{}", parts, indent, level)
    if isinstance(value, list | tuple) and not isinstance(value, pa.MonthDayNano):
        return _brackets("[]", [_json(item, zone, indent, level + 1) for item in value], indent, level)
    if value is None or isinstance(value, bool | int):
        return json.dumps(value)
    if isinstance(value, float):
        return json.dumps(value) if math.isfinite(value) else "null"
    if isinstance(value, Decimal):
        return text_of(value) if value.is_finite() else "null"
    return _json_text(text_of(value, zone))


def _brackets(pair: str, parts: list[str], indent: int | None, level: int) -> str:
    if not parts:
        return pair
    if indent is None:
        return pair[0] + ", ".join(parts) + pair[1]
    inner = "\n" + " " * indent * (level + 1)
    return pair[0] + inner + ("," + inner).join(parts) + "\n" + " " * indent * level + pair[1]


def _json_text(text: str) -> str:
    encoded = json.dumps(text, ensure_ascii=False)
    if encoded.isprintable():
        return encoded
    # JSON itself escapes only the first 32; a terminal obeys others too
    return "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in encoded)


# ----------------------------------------------------------------------------------------- for programs


def _no_terminal(terminal: bool) -> None:
    if terminal:
        raise UsageError("parquet is no text for a terminal", do="Send it to a file: ... > result.parquet")


def _parquet(table: pa.Table, stream: TextIO, terminal: bool) -> None:
    _no_terminal(terminal)
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    stream.flush()
    stream.buffer.write(sink.getvalue().to_pybytes())
    stream.buffer.flush()


def _json_rows(table: pa.Table, stream: TextIO, zone: tzinfo | None) -> None:
    before = "["
    for row in _rows(table):
        stream.write(f"{before}\n  {_json(row, zone, level=1)}")
        before = ","
    stream.write("[]\n" if before == "[" else "\n]\n")


def _csv(
    names: Sequence[str],
    rows: Iterable[Mapping[str, Any]],
    stream: TextIO,
    zone: tzinfo | None,
    terminal: bool,
) -> None:
    # into a pipe the values go as they are; on a terminal they may not steer it
    show = printable if terminal else str
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([show(name) for name in names])
    for number, row in enumerate(rows, start=1):
        writer.writerow([show(text_of(value, zone)) for value in row.values()])
        if number % _CHUNK_ROWS == 0:
            stream.write(buffer.getvalue())
            buffer.seek(0)
            buffer.truncate()
    stream.write(buffer.getvalue())


def _rows(table: pa.Table) -> Iterator[dict[str, Any]]:
    for batch in table.to_batches(max_chunksize=_CHUNK_ROWS):
        yield from rows_of(batch)


# ------------------------------------------------------------------------------------------- for people


def _draw(
    table: pa.Table,
    stream: TextIO,
    zone: tzinfo | None,
    limit: int | None,
    total: Mapping[str, Any] | None,
) -> None:
    names = [printable(name) for name in table.column_names]
    if not names:
        return
    cells = [[printable(text_of(value, zone, between=" ")) for value in row.values()] for row in _rows(table)]
    if total is not None:
        cells.append([printable(text_of(total.get(name), zone, between=" ")) for name in table.column_names])
    widths = [
        max(columns_of(name), *(columns_of(row[i]) for row in cells)) if cells else columns_of(name)
        for i, name in enumerate(names)
    ]
    bold = _colour(stream)
    numeric = [_is_number(field.type) for field in table.schema]
    if limit is not None and cells:
        widths = _folded(names, cells, widths, numeric, limit) or widths
    if limit is not None and sum(widths) + len(_GAP) * (len(widths) - 1) > limit:
        empty = [*pieces(", ".join(names), max(limit, 1)), *pieces("(no rows)", max(limit, 1))]
        lines = _blocks(names, cells, max(limit, 1), bold) if cells else iter(empty)
    else:
        lines = _grid(names, cells, widths, numeric, bold)
    for line in lines:
        stream.write(_encodable(line, stream) + "\n")


def _folded(
    names: list[str], cells: list[list[str]], widths: list[int], numeric: list[bool], limit: int
) -> list[int] | None:
    """Return widths that fit when long texts go on below themselves; None: they would not be read well so."""
    least = [
        width if number else min(width, max(columns_of(name), _LEAST_TEXT))
        for name, width, number in zip(names, widths, numeric, strict=True)
    ]
    told = shrunk(widths, least, limit - len(_GAP) * (len(widths) - 1)) or []
    most = max((len(list(pieces(c, w))) for row in cells for c, w in zip(row, told, strict=False)), default=0)
    return told if most <= _MOST_LINES else None


def _grid(
    names: list[str], cells: list[list[str]], widths: list[int], numeric: list[bool], bold: bool
) -> Iterator[str]:
    def lines(row: list[str]) -> Iterator[str]:
        cut = [list(pieces(cell, width)) for cell, width in zip(row, widths, strict=True)]
        for below in range(max(map(len, cut))):
            yield _GAP.join(
                padded(parts[below] if below < len(parts) else "", width, right)
                for parts, width, right in zip(cut, widths, numeric, strict=True)
            ).rstrip()

    yield from (_emphasised(line, bold) for line in lines(names))
    yield _GAP.join("-" * width for width in widths)
    for row in cells:
        yield from lines(row)
    if not cells:
        yield "(no rows)"


def _blocks(names: list[str], cells: list[list[str]], limit: int, bold: bool) -> Iterator[str]:
    """One line a value, a blank line between rows; values that are too long go on below themselves."""
    label = max(columns_of(name) for name in names) + 2
    # a terminal too narrow for names and values side by side has them below each other
    aside = label + 8 <= limit
    for number, row in enumerate(cells):
        if number:
            yield ""
        for name, value in zip(names, row, strict=True):
            room = limit - label if aside else max(limit - 2, 1)
            cut = list(pieces(value, room))
            if aside:
                head = _emphasised(f"{name}:", bold) + " " * (label - columns_of(name) - 1)
                yield (head + cut[0]).rstrip()
                yield from (" " * label + piece for piece in cut[1:])
            else:
                yield from (_emphasised(piece, bold) for piece in pieces(f"{name}:", limit))
                yield from ("  " * (limit > 2) + piece for piece in cut if piece)


def _encodable(text: str, stream: TextIO) -> str:
    encoding = getattr(stream, "encoding", None) or "utf-8"
    return text.encode(encoding, "backslashreplace").decode(encoding)


def _is_number(kind: pa.DataType) -> bool:
    return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind))


def _colour(stream: TextIO) -> bool:
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def _emphasised(text: str, bold: bool) -> str:
    return f"\x1b[1m{text}\x1b[0m" if bold else text
