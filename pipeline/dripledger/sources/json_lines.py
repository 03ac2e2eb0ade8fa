"""The adapter for JSON lines: one object a line, optionally with an array whose elements carry the events."""

from __future__ import annotations

from collections.abc import Mapping as Map
from collections.abc import Sequence
from typing import Final

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from dripledger.sources.mapping import Mapping
from dripledger.sources.originals import read_records
from dripledger.sources.parts import MAPPABLE
from dripledger.sources.staging import (
    SourceFile,
    Staged,
    StagingRoom,
    quoted,
    ranged_select,
    splitter_of,
)

_OBJECT_BYTES: Final = 64 * 1024 * 1024
_ITEM: Final = "item."


def stage(
    room: StagingRoom,
    mapping: Mapping,
    files: Sequence[SourceFile],
    only: Map[int, Sequence[int]] | None = None,
) -> Staged:
    """Stage JSON-lines files; see `staging.stage`."""
    needed = list(mapping.raw_fields())
    staged = Staged({})
    if mapping.canonical:
        prefix = _ITEM if mapping.json_lines.each else ""
        hidden = mapping.masked_fields
        needed += [
            p + n
            for n in MAPPABLE
            for p in dict.fromkeys(("", prefix))
            if p + n not in needed and p + n not in hidden
        ]
    staged.columns = {name: f"f{i}" for i, name in enumerate(needed)}
    filled = [f for f in files if f.original.records]
    if only is None:
        clean = [f for f in filled if f.original.bad_utf8_record is None]
        read = _fast(room, mapping, clean, staged)
    else:
        read = set()
    for file in filled:
        if file.number not in read:
            _exact(room, mapping, file, staged, None if only is None else list(only[file.number]))
    return staged


def _path(raw: str) -> str:
    return "$" + "".join('."' + piece.replace('"', '\\"') + '"' for piece in raw.split("."))


def _picks(mapping: Mapping, staged: Staged) -> str:
    """Return the select list that takes the staged columns out of a column `json`, which may be null."""
    each = mapping.json_lines.each
    picks = [
        "case when json is null then 'not_json' when json_type(json) <> 'OBJECT' then 'not_an_object' "
        "end as unsplit"
    ]
    if each is not None:
        # an object without elements keeps one empty element, so that it is still accounted for
        found = f"json_extract(json, {quoted(_path(each) + '[*]')})"
        picks.append(f"case when len({found}) > 0 then len({found}) else 0 end as elements")
    for raw, column in staged.columns.items():
        function = mapping.keying(raw)
        if each is not None and raw.startswith(_ITEM):
            inner = quoted(_path(raw.removeprefix(_ITEM)))
            value = f"nullif(trim(json_extract_string(e, {inner}), ' ' || chr(9)), '')"
            text = f"list_transform({found}, lambda e: {value})"
            text = f"case when len({found}) > 0 then {text} else [null::varchar] end"
            picks.append(f"{f'{function}_list({text})' if function else text} as {column}")
        else:
            text = f"nullif(trim(json_extract_string(json, {quoted(_path(raw))}), ' ' || chr(9)), '')"
            picks.append(f"{f'{function}({text})' if function else text} as {column}")
    return ", ".join(picks)


def _columns(mapping: Mapping, staged: Staged) -> str:
    """Return what the SELECT over a staging file adds: element number and the staged columns."""
    each = mapping.json_lines.each
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
    try:
        room.con.execute(
            f"copy (select fn, {_picks(mapping, staged)} from read_ndjson_objects([{paths}], filename = "
            "'fn', "
            f"ignore_errors = true, maximum_object_size = {_OBJECT_BYTES})) "
            f"to {quoted(str(part))} (format parquet, compression lz4)"
        )
    except duckdb.Error:
        return set()
    seen = dict(
        room.con.execute(f"select fn, count(*) from read_parquet({quoted(str(part))}) group by fn").fetchall()
    )
    counts = [(f.number, str(f.path), int(seen.get(str(f.path), 0))) for f in files]
    good = {
        f.number
        for f, (_, _, n) in zip(files, counts, strict=True)
        if n == f.original.records and f.unchanged
    }
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


def _exact(
    room: StagingRoom, mapping: Mapping, file: SourceFile, staged: Staged, only: list[int] | None
) -> None:
    """Read a file line by line."""
    raw_part, part = room.part(), room.part()
    numbers: list[int] = []
    lines: list[str] = []
    for number, _, data, _ in read_records(file.original, splitter_of(mapping), only):
        if number == file.original.bad_utf8_record:
            staged.unsplit.append((file.number, number, "cut_inside_character"))
            continue
        numbers.append(number)
        lines.append(data.decode("utf-8"))
    table = pa.table({"record": pa.array(numbers, pa.int64()), "line": pa.array(lines, pa.string())})
    personal = mapping.keyed_fields | mapping.pseudonym_fields | mapping.masked_fields
    if personal:
        # raw lines may name people: they stay in memory
        room.con.register("exact_lines", table)
        source = "exact_lines"
    else:
        pq.write_table(table, raw_part, compression="lz4")
        source = f"read_parquet({quoted(str(raw_part))})"
    room.con.execute(
        f"copy (select record, {_picks(mapping, staged)} from (select record, "
        f"case when json_valid(line) then line::json end as json from {source})) "
        f"to {quoted(str(part))} (format parquet, compression lz4)"
    )
    if personal:
        room.con.unregister("exact_lines")
    head = f"select {file.number} as file_no, s.record"
    tail = f" from read_parquet({quoted(str(part))}) s where"
    select = f"{head}{_columns(mapping, staged)}{tail} s.unsplit is null"
    _finish(room, staged, select, f"{head}, s.unsplit{tail} true")
