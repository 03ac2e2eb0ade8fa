"""The adapter for workbooks (xlsx, ods): one sheet, its first row with a value the header."""

from __future__ import annotations

from collections.abc import Mapping as Map
from collections.abc import Sequence

import pyarrow as pa

from dripledger.errors import InputError
from dripledger.sources.delimited import wanted_names, wrong_header
from dripledger.sources.framed import PartWriter
from dripledger.sources.mapping import Mapping
from dripledger.sources.originals import read_records
from dripledger.sources.parts import MAPPABLE
from dripledger.sources.staging import SourceFile, Staged, StagingRoom, splitter_of
from dripledger.sources.workbook_scan import UNIT_SEPARATOR


def stage(
    room: StagingRoom,
    mapping: Mapping,
    files: Sequence[SourceFile],
    only: Map[int, Sequence[int]] | None = None,
) -> Staged:
    """Stage workbooks; see `staging.stage`."""
    needed = list(mapping.raw_fields())
    headers = {file.number: header_names(file) for file in files}
    if mapping.canonical:
        found = {name for names in headers.values() for name in names}
        hidden = mapping.masked_fields
        needed += [n for n in MAPPABLE if n in found and n not in needed and n not in hidden]
    staged = Staged({name: f"f{i}" for i, name in enumerate(needed)})
    for file in files:
        names = headers[file.number]
        wrong = wrong_header(mapping, wanted_names(mapping), names, file)
        if wrong is not None:
            staged.failures[file.number] = wrong
        elif file.original.records:
            _stage_file(room, mapping, names, file, staged, None if only is None else only[file.number])
    return staged


def header_names(file: SourceFile) -> list[str]:
    """Return the names in the header of a workbook, trimmed."""
    header = file.original.header.decode("utf-8", "replace")
    return [name.strip() for name in header.split(UNIT_SEPARATOR)] if header else []


def _stage_file(
    room: StagingRoom,
    mapping: Mapping,
    names: list[str],
    file: SourceFile,
    staged: Staged,
    only: Sequence[int] | None,
) -> None:
    places = [names.index(raw) if raw in names else None for raw in staged.columns]
    numbers: list[int] = []
    rows: list[list[str]] = []
    width = len(names)
    try:
        for told in read_records(file.original, splitter_of(mapping), only):
            fields = [value.decode() for value in told.fields or ()]
            if any(value for value in fields[width:]):
                staged.unsplit.append((file.number, told.number, "wrong_number_of_fields"))
                continue
            numbers.append(told.number)
            rows.append([*fields[:width], *[""] * (width - len(fields))])
    except InputError as error:
        error.where = file.shown
        staged.failures[file.number] = error
        return
    turned = list(zip(*rows, strict=True))
    with PartWriter(room, mapping, staged, file) as writer:
        writer.add(
            numbers,
            [None if at is None or not rows else pa.array(turned[at], pa.string()) for at in places],
        )
