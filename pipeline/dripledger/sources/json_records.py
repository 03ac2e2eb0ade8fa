"""The adapter for JSON: one object a line, or the elements of one array.

An object may hold an array whose elements carry the events of the record.
"""

from __future__ import annotations

from collections.abc import Mapping as Map
from collections.abc import Sequence
from typing import Final

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from dripledger.sources.framed import frames_of
from dripledger.sources.mapping import Mapping
from dripledger.sources.originals import read_text
from dripledger.sources.parts import MAPPABLE
from dripledger.sources.staging import (
    SourceFile,
    Staged,
    StagingRoom,
    quoted,
    ranged_select,
    read_whole,
    splitter_of,
)

#: The engine holds some buffers of twice this size; a file with a longer object is read from its original.
_OBJECT_BYTES: Final = 16 * 1024 * 1024
_BATCH_ROWS: Final = 50_000
_ITEM: Final = "item."


def stage(
    room: StagingRoom,
    mapping: Mapping,
    files: Sequence[SourceFile],
    only: Map[int, Sequence[int]] | None = None,
) -> Staged:
    """Stage files of JSON; see `staging.stage`."""
    needed = list(mapping.raw_fields())
    staged = Staged({})
    if mapping.canonical:
        prefix = _ITEM if mapping.each else ""
        hidden = mapping.masked_fields
        needed += [
            p + n
            for n in MAPPABLE
            for p in dict.fromkeys(("", prefix))
            if p + n not in needed and p + n not in hidden
        ]
    staged.columns = {name: f"f{i}" for i, name in enumerate(needed)}
    filled = [f for f in files if f.original.records]
    read: set[int] = set()
    if only is None and not mapping.json_array.path:
        read = _fast(room, mapping, [f for f in filled if f.plain], staged)
    for file in filled:
        if file.number not in read:
            _framed(room, mapping, file, staged, None if only is None else list(only[file.number]))
    return staged


def _path(raw: str) -> str:
    return "$" + "".join('."' + piece.replace('"', '\\"') + '"' for piece in raw.split("."))


def _picks(mapping: Mapping, staged: Staged, source: str, first: str, padded: bool = True) -> str:
    """Return the SELECT that takes the staged columns out of a column `json`, which may be null.

    Parameters
    ----------
    source
        What to select from.
    first
        The column of it that is handed on.
    padded
        Whether some text may begin or end with white space.
    """
    each = mapping.each
    picks = [
        first,
        "case when json is null then 'not_json' when kind <> 'OBJECT' then 'not_an_object' end as unsplit",
    ]
    if each is not None:
        # an object without elements keeps one empty element, so that it is still accounted for
        found = f"json_extract(json, {quoted(_path(each) + '[*]')})"
        picks.append(f"case when len({found}) > 0 then len({found}) else 0 end as elements")
    outer = [raw for raw in staged.columns if each is None or not raw.startswith(_ITEM)]
    for raw, column in staged.columns.items():
        function = mapping.keying(raw)
        if raw not in outer:
            inner = quoted(_path(raw.removeprefix(_ITEM)))
            value = f"nullif(trim(json_extract_string(e, {inner}), ' ' || chr(9)), '')"
            text = f"list_transform({found}, lambda e: {value})"
            text = f"case when len({found}) > 0 then {text} else [null::varchar] end"
            picks.append(f"{f'{function}_list({text})' if function else text} as {column}")
        else:
            text = f"texts[{outer.index(raw) + 1}]"
            text = f"nullif(trim({text}, ' ' || chr(9)), '')" if padded else f"nullif({text}, '')"
            picks.append(f"{f'{function}({text})' if function else text} as {column}")
    # all paths at once: the text is parsed once, not once a column
    paths = ", ".join(quoted(_path(raw)) for raw in outer)
    texts = f"json_extract_string(json, [{paths}])" if outer else "null::varchar[]"
    return (
        f"select {', '.join(picks)} from (select {first}, json, json_type(json) as kind, {texts} as texts "
        f"from {source})"
    )


def _columns(mapping: Mapping, staged: Staged) -> str:
    """Return what the SELECT over a staging file adds: element number and the staged columns."""
    each = mapping.each
    if each is None:
        return ", 0 as elem" + "".join(f", s.{c}" for c in staged.columns.values())
    text = ", unnest(range(greatest(s.elements, 1)))::integer as elem, s.elements = 0 as no_element"
    for raw, column in staged.columns.items():
        text += f", unnest(s.{column}) as {column}" if raw.startswith(_ITEM) else f", s.{column}"
    return text


def _finish(room: StagingRoom, staged: Staged, select: str, numbers: str) -> None:
    """Keep what can be split and list the rest."""
    for file_no, record, reason in room.con.execute(
        f"select file_no, record, unsplit from ({numbers}) where unsplit is not null order by all"
    ).fetchall():
        staged.unsplit.append((file_no, record, reason))
    staged.selects.append(select)


def _fast(room: StagingRoom, mapping: Mapping, files: list[SourceFile], staged: Staged) -> set[int]:
    """Let DuckDB read the files; return the numbers of those whose rows equal the bytes' count."""
    if not files:
        return set()
    part = room.part()
    paths = ", ".join(quoted(str(f.path)) for f in files)
    padded = any(f.original.padded for f in files)
    form = "format = 'array'" if mapping.shape == "json_array" else "ignore_errors = true"
    reader = "read_json_objects" if mapping.shape == "json_array" else "read_ndjson_objects"
    source = f"{reader}([{paths}], filename = 'fn', maximum_object_size = {_OBJECT_BYTES}, {form})"
    try:
        batches = room.con.sql(_picks(mapping, staged, source, "fn", padded)).to_arrow_reader(_BATCH_ROWS)
        # measured: three quarters of the cost of the engine's own writer
        with pq.ParquetWriter(part, batches.schema, compression="lz4", write_statistics=False) as writer:
            for batch in batches:
                writer.write_batch(batch)
    except (duckdb.Error, pa.ArrowInvalid, OSError):
        return set()
    counts, good = read_whole(room, part, files)
    if good:
        allowed = f" and file_no in ({', '.join(str(n) for n in sorted(good))})"
        select = (
            ranged_select(room, part, counts, _columns(mapping, staged))
            + " where s.unsplit is null"
            + allowed
        )
        numbers = ranged_select(room, part, counts, ", s.unsplit") + " where true" + allowed
        _finish(room, staged, select, numbers)
    return good


def _framed(
    room: StagingRoom, mapping: Mapping, file: SourceFile, staged: Staged, only: list[int] | None
) -> None:
    """Read a file from its original, frame by frame; raw records may name people, so they stay in memory."""
    part, name = room.part(), "framed_records"
    splitter = splitter_of(mapping)
    writer: pq.ParquetWriter | None = None
    try:
        for frame, keep in frames_of(file, only):
            block = read_text(file.original, frame)
            splitter.resume(frame.context)
            numbers: list[int] = []
            texts: list[bytes] = []
            for place, row in enumerate(splitter.split(block)):
                number = frame.record + place
                if keep is not None and number not in keep:
                    continue
                if number == file.original.bad_utf8_record:
                    staged.unsplit.append((file.number, number, "cut_inside_character"))
                    continue
                numbers.append(number)
                texts.append(block[row.start : row.end])
            lines = pa.array(texts, pa.binary()).cast(pa.string())
            room.con.register(name, pa.table({"record": pa.array(numbers, pa.int64()), "line": lines}))
            source = f"(select record, case when json_valid(line) then line::json end as json from {name})"
            picks = _picks(mapping, staged, source, "record")
            reader = room.con.sql(picks).to_arrow_reader(_BATCH_ROWS)
            writer = writer or pq.ParquetWriter(
                part, reader.schema, compression="lz4", write_statistics=False
            )
            for batch in reader:
                writer.write_batch(batch)
            room.con.unregister(name)
    finally:
        if writer is not None:
            writer.close()
    if writer is None:
        return
    head = f"select {file.number} as file_no, s.record"
    tail = f" from read_parquet({quoted(str(part))}) s where"
    select = f"{head}{_columns(mapping, staged)}{tail} s.unsplit is null"
    _finish(room, staged, select, f"{head}, s.unsplit{tail} true")
