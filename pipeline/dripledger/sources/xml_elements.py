"""The adapter for XML: the standard library's parser reads a few hundred records at a time into columns.

What it is given never holds a prolog, so it never sees a document type: entities beyond the five of the
standard cannot exist. The elements around a record are given to it as they stand open at that place.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator, Sequence
from collections.abc import Mapping as Map
from itertools import pairwise
from typing import Final
from xml.etree import ElementTree as ET

import pyarrow as pa

from dripledger.sources.framed import PartWriter, frames_of
from dripledger.sources.mapping import Mapping
from dripledger.sources.originals import read_text
from dripledger.sources.parts import MAPPABLE
from dripledger.sources.records import Record
from dripledger.sources.staging import SourceFile, Staged, StagingRoom, splitter_of
from dripledger.sources.xml_scan import ElementSplitter, name_of

#: Small pieces stay in the processor's cache: four MiB at once took twice as long.
_PIECE_BYTES: Final = 128 * 1024
_BATCH_ROWS: Final = 20_000
_UP: Final = "../"

Row = tuple[str | None, ...]


def stage(
    room: StagingRoom,
    mapping: Mapping,
    files: Sequence[SourceFile],
    only: Map[int, Sequence[int]] | None = None,
) -> Staged:
    """Stage XML files; see `staging.stage`."""
    needed = list(mapping.raw_fields())
    if mapping.canonical:
        hidden = mapping.masked_fields
        needed += [name for name in MAPPABLE if name not in needed and name not in hidden]
    staged = Staged({name: f"f{i}" for i, name in enumerate(needed)})
    for file in files:
        if file.original.records:
            _stage_file(room, mapping, file, staged, None if only is None else only[file.number])
    return staged


def _stage_file(
    room: StagingRoom, mapping: Mapping, file: SourceFile, staged: Staged, only: Sequence[int] | None
) -> None:
    reader = RecordReader(mapping.xml.steps, list(staged.columns))
    splitter = splitter_of(mapping)
    assert isinstance(splitter, ElementSplitter)  # noqa: S101 (the shape's own)
    with PartWriter(room, mapping, staged, file) as writer:
        numbers: list[int] = []
        rows: list[Row] = []

        def write() -> None:
            turned = list(zip(*rows, strict=True)) if rows else [()] * len(staged.columns)
            writer.add(numbers, [pa.array(column, pa.string()) for column in turned])
            numbers.clear()
            rows.clear()

        for frame, keep in frames_of(file, only):
            splitter.resume(frame.context)
            found = reader.read(read_text(file.original, frame), splitter, frame.records)
            for number, row in enumerate(found, frame.record):
                if keep is not None and number not in keep:
                    continue
                if number == file.original.bad_utf8_record:
                    staged.unsplit.append((file.number, number, "cut_inside_character"))
                elif row is None:
                    staged.unsplit.append((file.number, number, "not_xml"))
                else:
                    numbers.append(number)
                    rows.append(row)
            if len(rows) >= _BATCH_ROWS:
                write()
        write()


def _local(tag: str) -> str:
    return tag.rpartition("}")[2]


class RecordReader:
    """Reads the fields of records out of blocks of XML.

    Parameters
    ----------
    steps
        Names from the outermost element to the record's.
    fields
        Raw fields: ``"name"`` (a child element's text, else an attribute), ``"@name"`` (an attribute),
        ``"child/name"``, ``"child/@name"``, and ``"../@name"`` for an attribute of the element around it.
    """

    def __init__(self, steps: Sequence[str], fields: Sequence[str]) -> None:
        self._steps = tuple(steps)
        self._width = len(fields)
        self._children: dict[str, int] = {}
        self._attributes: list[tuple[int, str]] = []
        self._deeper: list[tuple[int, Callable[[ET.Element], str | None]]] = []
        self._above: list[tuple[int, int, str]] = []
        for place, name in enumerate(fields):
            levels = 0
            while name.startswith(_UP):
                levels, name = levels + 1, name.removeprefix(_UP)
            if levels:
                self._above.append((place, levels, name.removeprefix("@")))
            elif "/" in name:
                self._deeper.append((place, _finder(name)))
            elif name.startswith("@"):
                self._attributes.append((place, name[1:]))
            else:
                self._children[name] = place
                self._attributes.append((place, name))
        self._places: dict[str, int | None] = {}

    def read(self, block: bytes, splitter: ElementSplitter, records: int) -> list[Row | None]:
        """Return the fields of each record of a block; None where it is no well-formed XML.

        Parameters
        ----------
        block
            Whole records and what stands between them.
        splitter
            Set to the block's context.
        records
            How many were counted on the bytes; where the parser finds as many, nobody else splits them.
        """
        context = splitter.context
        rows = self._straight(block, splitter)
        if rows is not None and len(rows) == records:
            return list(rows)
        splitter.resume(context)
        return list(self._by_record(block, splitter))

    def _straight(self, block: bytes, splitter: ElementSplitter) -> list[Row] | None:
        """Read a block in which the elements around the records stay the same; None where it is none."""
        first = next(splitter.split(block), None)
        if first is None:
            return None
        around = splitter.stack
        end = block.find(b"</" + name_of(around[-1]), first.start) if around else -1
        end = len(block) if end < 0 else end
        name = name_of(block[first.start : first.end])
        if block.find(b"<" + name, end) >= 0:
            return None
        rows: list[Row] = []
        at = first.start
        while at < end:
            stop = block.find(b"<" + name, at + _PIECE_BYTES, end)
            stop = end if stop < 0 else stop
            piece = self._parse(around, block[at:stop], around)
            if piece is None:
                return None
            rows += piece
            at = stop
        return rows

    def _by_record(self, block: bytes, splitter: ElementSplitter) -> Iterator[Row | None]:
        """Read a block whose records were found on the bytes, so that a bad one costs no other."""
        piece: list[tuple[Record, tuple[bytes, ...]]] = []
        size = 0
        for record in splitter.split(block):
            if record.fields is None:
                yield from self._piece(block, piece)
                piece, size = [], 0
                yield None
                continue
            piece.append((record, splitter.stack))
            size += record.end - record.start
            if size >= _PIECE_BYTES:
                yield from self._piece(block, piece)
                piece, size = [], 0
        yield from self._piece(block, piece)

    def _piece(self, block: bytes, piece: list[tuple[Record, tuple[bytes, ...]]]) -> Iterator[Row | None]:
        """Yield the fields of neighbouring records, read at once where they allow it."""
        if not piece:
            return
        (first, before), (last, after) = piece[0], piece[-1]
        told = self._parse(before, block[first.start : last.end], after)
        if told is not None and len(told) == len(piece):
            yield from told
        elif len(piece) == 1:
            yield None
        else:
            middle = len(piece) // 2
            yield from self._piece(block, piece[:middle])
            yield from self._piece(block, piece[middle:])

    def _parse(self, before: Sequence[bytes], text: bytes, after: Sequence[bytes]) -> list[Row] | None:
        """Return the fields of the records in a text between open elements; None: it is not well formed."""
        # a tree has no cycles: looking for some costs half as much again
        collecting = gc.isenabled()
        gc.disable()
        try:
            parser = ET.XMLParser(encoding="utf-8")  # noqa: S314 (no document type ever reaches it)
            for tag in before:
                parser.feed(tag)
            parser.feed(text)
            parser.feed(b"".join(b"</" + name_of(tag) + b">" for tag in reversed(after)))
            return [self._row(element, around) for element, around in self._records(parser.close())]
        except ET.ParseError:
            return None
        finally:
            if collecting:
                gc.enable()

    def _records(self, root: ET.Element) -> Iterator[tuple[ET.Element, tuple[ET.Element, ...]]]:
        """Yield the record elements below a root, each with the elements around it, the nearest first."""
        found: list[tuple[ET.Element, tuple[ET.Element, ...]]] = []
        if _local(root.tag) == self._steps[0]:
            found = [(root, ())]
        for _, step in pairwise(self._steps):
            found = [
                (child, (element, *around))
                for element, around in found
                for child in element
                if child.tag == step or _local(child.tag) == step
            ]
        yield from found

    def _row(self, element: ET.Element, around: tuple[ET.Element, ...]) -> Row:
        row: list[str | None] = [None] * self._width
        places = self._places
        for child in element:
            tag = child.tag
            try:
                place = places[tag]
            except KeyError:
                place = places[tag] = self._children.get(_local(tag))
            if place is not None and row[place] is None:
                row[place] = child.text
        if element.attrib:
            get = element.get
            for place, name in self._attributes:
                if row[place] is None:
                    row[place] = get(name)
        for place, find in self._deeper:
            row[place] = find(element)
        for place, levels, name in self._above:
            if levels <= len(around):
                row[place] = around[levels - 1].get(name)
        return tuple(row)


def _finder(path: str) -> Callable[[ET.Element], str | None]:
    """Return the function that finds a text or attribute some levels below a record."""
    *steps, last = path.split("/")

    def find(element: ET.Element) -> str | None:
        for step in steps:
            inner = next((child for child in element if _local(child.tag) == step), None)
            if inner is None:
                return None
            element = inner
        if last.startswith("@"):
            return element.get(last[1:])
        for child in element:
            if _local(child.tag) == last:
                return child.text
        return element.get(last)

    return find
