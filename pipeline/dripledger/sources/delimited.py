"""The adapter for delimited files: the engine reads plain and clean ones where they lie.

All else is read from the originals, frame by frame: a clean frame by Arrow's reader, any other one record by
record, so that what cannot be split is listed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping as Map
from collections.abc import Sequence
from typing import Any, Final

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

from dripledger.errors import InputError
from dripledger.sources.framed import PartWriter, frames_of
from dripledger.sources.mapping import Mapping
from dripledger.sources.originals import read_text
from dripledger.sources.parts import MAPPABLE
from dripledger.sources.records import LONGEST_VALUE_BYTES, DelimitedSplitter
from dripledger.sources.staging import (
    SourceFile,
    Staged,
    StagingRoom,
    quoted,
    ranged_select,
    read_whole,
    splitter_of,
)

_BATCH_ROWS: Final = 100_000
_BUFFER_BYTES: Final = 32 * 1024 * 1024


def header_names(mapping: Mapping, header: bytes) -> list[str]:
    """Return the column names of a header record, trimmed."""
    options = mapping.delimited
    rows = list(DelimitedSplitter(options.separator, options.quote).split(header))
    if len(rows) != 1 or rows[0].fields is None:
        return []
    return [name.decode("utf-8", "replace").strip() for name in rows[0].fields]


def stage(
    room: StagingRoom,
    mapping: Mapping,
    files: Sequence[SourceFile],
    only: Map[int, Sequence[int]] | None = None,
) -> Staged:
    """Stage delimited files; see `staging.stage`."""
    needed = list(mapping.raw_fields())
    wanted = wanted_names(mapping)
    headers: dict[int, list[str]] = {}
    staged = Staged({})
    found: set[str] = set()
    for file in files:
        names = header_names(mapping, file.original.header)
        wrong = wrong_header(mapping, wanted, names, file)
        if wrong is not None:
            staged.failures[file.number] = wrong
            continue
        headers[file.number] = names
        found |= set(names)
    if mapping.canonical:
        hidden = mapping.masked_fields
        needed += [n for n in MAPPABLE if n in found and n not in needed and n not in hidden]
    staged.columns = {name: f"f{i}" for i, name in enumerate(needed)}

    groups: dict[tuple[str, ...], list[SourceFile]] = {}
    for file in files:
        if file.number in headers:
            groups.setdefault(tuple(headers[file.number]), []).append(file)
    for header, members in groups.items():
        if only is not None:
            for file in members:
                _framed(room, mapping, header, file, staged, list(only[file.number]))
            continue
        clean = [f for f in members if f.plain and f.original.records]
        read = _fast(room, mapping, header, clean, staged)
        for file in members:
            if file.number not in read and file.original.records:
                _framed(room, mapping, header, file, staged, None)
    return staged


def wanted_names(mapping: Mapping) -> list[str]:
    """Return what a header must have: the columns that the mapping reads or a canonical source needs."""
    wanted = list(mapping.raw_fields())
    if mapping.canonical and not mapping.events:
        wanted += [name for name in ("pump_id", "device_time", "kind") if name not in mapping.fields]
    return list(dict.fromkeys(wanted))


def wrong_header(
    mapping: Mapping, wanted: list[str], names: list[str], file: SourceFile
) -> InputError | None:
    """Return what is wrong with a header; None: nothing."""
    if not file.original.size_bytes:
        return InputError("is empty", where=file.shown, do="Export it again")
    row = 1 + mapping.title_lines
    missing = [name for name in wanted if name not in names]
    if missing and names and 2 * len(missing) > len(wanted):
        # a line that is no header of ours may be a record, and name somebody: it is not shown
        listed = ", ".join(repr(name) for name in missing)
        return InputError(
            f"its first line has {len(wanted) - len(missing)} of the {len(wanted)} columns that the mapping "
            f"{mapping.name!r} reads, among {len(names)}: it lacks {listed}",
            where=file.shown,
            row=row,
            do="Is this the right file? If so, correct the mapping",
        )
    if missing:
        shown = ", ".join(names[:40]) or "nothing that can be split"
        return InputError(
            f"its header lacks the column {', '.join(repr(name) for name in missing)}, which the mapping "
            f"{mapping.name!r} reads; the header has: {shown}",
            where=file.shown,
            row=row,
            do="Correct the mapping, or export the file with that column",
        )
    twice = [n for n, count in Counter(names).items() if count > 1 and n in wanted]
    if twice:
        return InputError(f"its header has the column {twice[0]!r} twice", where=file.shown, row=row)
    return None


def _fast(
    room: StagingRoom, mapping: Mapping, header: tuple[str, ...], files: list[SourceFile], staged: Staged
) -> set[int]:
    """Let DuckDB read files of one header; return the numbers of those whose rows equal the bytes' count."""
    if not files:
        return set()
    part = room.part()
    padded = any(f.original.padded for f in files)
    picks = []
    for raw, column in staged.columns.items():
        text = "null::varchar"
        if raw in header:
            text = f"c{header.index(raw)}"
            text = f"nullif(trim({text}, ' ' || chr(9)), '')" if padded else text
            function = mapping.keying(raw)
            text = f"{function}({text})" if function else text
        picks.append(f"{text} as {column}")
    options = mapping.delimited
    columns = ", ".join(f"'c{i}': 'VARCHAR'" for i in range(len(header)))
    paths = ", ".join(quoted(str(f.path)) for f in files)
    # a name on every row costs, and one file needs none
    named, with_name = ("fn, ", ", filename = 'fn'") if len(files) > 1 else ("", "")

    try:
        reader = room.con.sql(
            f"select {named}{', '.join(picks)} from read_csv([{paths}], auto_detect = false, header = true, "
            f"skip = {mapping.title_lines}, "
            f"delim = {quoted(options.separator)}, quote = {quoted(options.quote)}, "
            f"escape = {quoted(options.quote)}, columns = {{{columns}}}{with_name}, nullstr = '', "
            f"max_line_size = {LONGEST_VALUE_BYTES}, buffer_size = {_BUFFER_BYTES})"
        ).to_arrow_reader(_BATCH_ROWS)
        # measured: half the cost of the engine's own writer, and as quick to read
        with pq.ParquetWriter(part, reader.schema, compression="lz4", write_statistics=False) as writer:
            for batch in reader:
                writer.write_batch(batch)
    except (duckdb.Error, pa.ArrowInvalid, OSError):
        if len(files) == 1:
            return set()
        # told to pass over errors it would drop records: each file alone, and what fails is read otherwise
        return set().union(*(_fast(room, mapping, header, [file], staged) for file in files))
    counts, good = read_whole(room, part, files)
    if good:
        names = "".join(f", s.{c}" for c in staged.columns.values())
        select = ranged_select(room, part, counts, f", 0 as elem{names}")
        if len(good) < len(files):
            select += f" where file_no in ({', '.join(str(n) for n in sorted(good))})"
        staged.selects.append(select)
    return good


def _framed(
    room: StagingRoom,
    mapping: Mapping,
    header: tuple[str, ...],
    file: SourceFile,
    staged: Staged,
    only: list[int] | None,
) -> None:
    """Read a file from its original; what cannot be split is listed."""
    places = [header.index(raw) if raw in header else None for raw in staged.columns]
    with PartWriter(room, mapping, staged, file) as writer:
        for frame, keep in frames_of(file, only):
            block = read_text(file.original, frame)
            last = frame.record + frame.records - 1
            columns = None
            if keep is None and file.original.bad_utf8_record != last:
                columns = _clean(mapping, header, places, block, frame.records)
            if columns is not None:
                writer.add(range(frame.record, last + 1), columns)
                continue
            numbers, rows = _one_by_one(mapping, header, file, staged, block, frame.record, keep)
            turned = list(zip(*rows, strict=True))
            texts = [None if at is None or not rows else pa.array(turned[at], pa.binary()) for at in places]
            writer.add(numbers, [None if t is None else t.cast(pa.string()) for t in texts])


def _clean(
    mapping: Mapping, header: tuple[str, ...], places: Sequence[int | None], block: bytes, records: int
) -> list[Any] | None:
    """Let Arrow read a block; None where it might read it otherwise than by the rules."""
    options = mapping.delimited
    if block.count(b"\r") != block.count(b"\r\n"):
        return None
    if not DelimitedSplitter(options.separator, options.quote).regular(block):
        return None
    names = [f"c{place}" for place in range(len(header))]
    try:
        table = pyarrow.csv.read_csv(
            pa.BufferReader(block),
            read_options=pyarrow.csv.ReadOptions(
                column_names=names, block_size=len(block) + 1, use_threads=False
            ),
            parse_options=pyarrow.csv.ParseOptions(
                delimiter=options.separator, quote_char=options.quote, newlines_in_values=True
            ),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
            ),
        )
    except pa.ArrowInvalid:
        return None
    if table.num_rows != records:
        # a repeated header or a footer among them
        return None
    found = [None if at is None else table.column(at).combine_chunks() for at in places]
    longest = [pc.max(pc.binary_length(column)).as_py() or 0 for column in table.columns]
    return None if max(longest, default=0) > LONGEST_VALUE_BYTES else found


def _one_by_one(
    mapping: Mapping,
    header: tuple[str, ...],
    file: SourceFile,
    staged: Staged,
    block: bytes,
    first: int,
    keep: frozenset[int] | None,
) -> tuple[list[int], list[list[bytes]]]:
    """Split a block record by record; return the numbers and values of those that can be."""
    numbers: list[int] = []
    rows: list[list[bytes]] = []
    splitter = splitter_of(mapping)
    splitter.begin(file.original.header)
    for place, row in enumerate(splitter.split(block)):
        number, fields = first + place, row.fields
        if keep is not None and number not in keep:
            continue
        why = None
        if number == file.original.bad_utf8_record:
            why = "cut_inside_character"
        elif fields is None:
            why = _why_not_split(mapping, block[row.start : row.end])
        elif row.end - row.start > LONGEST_VALUE_BYTES and any(len(v) > LONGEST_VALUE_BYTES for v in fields):
            why = "value_too_long"
        elif len(fields) != len(header):
            why = "wrong_number_of_fields"
        if why is not None:
            staged.unsplit.append((file.number, number, why))
        elif fields is not None:
            numbers.append(number)
            rows.append(fields)
    return numbers, rows


def _why_not_split(mapping: Mapping, data: bytes) -> str:
    """Return why a record cannot be split: one that could be if values might be longer has one too long."""
    options = mapping.delimited
    if len(data) > LONGEST_VALUE_BYTES:
        rows = list(DelimitedSplitter(options.separator, options.quote, len(data) + 2).split(data))
        if len(rows) == 1 and rows[0].fields is not None:
            return "value_too_long"
    return "quote_never_closes"
