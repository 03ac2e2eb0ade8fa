"""The adapter for fixed-width text: each column is cut from its place, a whole frame at once."""

from __future__ import annotations

from collections.abc import Mapping as Map
from collections.abc import Sequence

import pyarrow as pa
import pyarrow.compute as pc

from dripledger.errors import InputError
from dripledger.sources.framed import PartWriter, frames_of
from dripledger.sources.mapping import Mapping
from dripledger.sources.originals import read_text
from dripledger.sources.parts import MAPPABLE
from dripledger.sources.staging import SourceFile, Staged, StagingRoom, splitter_of


def stage(
    room: StagingRoom,
    mapping: Mapping,
    files: Sequence[SourceFile],
    only: Map[int, Sequence[int]] | None = None,
) -> Staged:
    """Stage fixed-width files; see `staging.stage`."""
    needed = list(mapping.raw_fields())
    if mapping.canonical:
        hidden = mapping.masked_fields
        needed += [
            c.name
            for c in mapping.fixed_width.columns
            if c.name in MAPPABLE and c.name not in needed and c.name not in hidden
        ]
    staged = Staged({name: f"f{i}" for i, name in enumerate(needed)})
    for file in files:
        if not file.original.size_bytes:
            staged.failures[file.number] = InputError("is empty", where=file.shown, do="Export it again")
        elif file.original.records:
            _stage_file(room, mapping, file, staged, None if only is None else only[file.number])
    return staged


def _stage_file(
    room: StagingRoom, mapping: Mapping, file: SourceFile, staged: Staged, only: Sequence[int] | None
) -> None:
    options = mapping.fixed_width
    places = {c.name: (c.start - 1, c.start - 1 + c.width) for c in options.columns}
    length = 1 if options.trimmed else max(end for _, end in places.values())
    splitter = splitter_of(mapping)
    splitter.begin(file.original.header)
    with PartWriter(room, mapping, staged, file) as writer:
        for frame, keep in frames_of(file, only):
            block = read_text(file.original, frame)
            rows = list(splitter.split(block))
            bad = file.original.bad_utf8_record
            numbers, lines = [], []
            for place, row in enumerate(rows):
                number = frame.record + place
                if keep is not None and number not in keep:
                    continue
                if number == bad:
                    staged.unsplit.append((file.number, number, "cut_inside_character"))
                    continue
                numbers.append(number)
                lines.append(block[row.start : row.end])
            told, text = pa.array(numbers, pa.int64()), pa.array(lines, pa.binary()).cast(pa.string())
            # where every character is one byte, a piece is found without looking at what stands before it
            plain = block.isascii()
            measured = pc.binary_length(text) if plain else pc.utf8_length(text)
            whole = pc.greater_equal(measured, length)
            for number in told.filter(pc.invert(whole)).to_pylist():
                staged.unsplit.append((file.number, number, "line_too_short"))
            told, text = told.filter(whole), text.filter(whole)
            if plain:
                data = text.cast(pa.binary())
                cut = [pc.binary_slice(data, *places[raw]).cast(pa.string()) for raw in staged.columns]
            else:
                cut = [pc.utf8_slice_codeunits(text, *places[raw]) for raw in staged.columns]
            writer.add(told, cut)
