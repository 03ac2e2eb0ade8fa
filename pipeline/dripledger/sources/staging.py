"""Staging: what every adapter hands on. One row a record (or an element of it), raw fields as trimmed text.

Masked fields are never read and keyed ones are replaced before the first byte of staging is written.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from collections.abc import Mapping as Map
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import duckdb

from dripledger.errors import InputError
from dripledger.site import Limits
from dripledger.sources.furniture import FurnishedSplitter
from dripledger.sources.hl7.splitter import MessageSplitter
from dripledger.sources.json_scan import ArraySplitter
from dripledger.sources.mapping import Mapping
from dripledger.sources.originals import Original, Reading
from dripledger.sources.personal import Pseudonyms, no_key
from dripledger.sources.records import DelimitedSplitter, LineSplitter, Splitter
from dripledger.sources.workbook_scan import SheetSplitter
from dripledger.sources.xml_scan import ElementSplitter

#: Why a record cannot be split, by name of the check.
UNSPLIT: Final = (
    "wrong_number_of_fields",
    "quote_never_closes",
    "value_too_long",
    "not_json",
    "not_an_object",
    "not_xml",
    "line_too_short",
    "cut_inside_character",
    "not_a_message",
    "separators_unreadable",
    "several_events",
    "event_missing",
)


@dataclass(frozen=True)
class SourceFile:
    """One file of one source on its way in.

    Parameters
    ----------
    number
        Its number in this run; files are numbered in the order of their names.
    path
        Where its bytes can be read.
    shown
        Its name for people and the ledger.
    original
        What the one pass over its bytes found.
    stamp
        What `file_stamp` told of the file when it was archived; None: nobody else writes to it.
    packed
        Whether what was read is not what lies at `path`: it is compressed there.
    """

    number: int
    path: Path
    shown: str
    original: Original
    stamp: tuple[int, ...] | None = None
    packed: bool = False

    @property
    def plain(self) -> bool:
        """Whether the engine can read the file where it lies: plain UTF-8, and nothing to pass over."""
        told = self.original
        return (
            not self.packed
            and told.encoding == "utf-8"
            and told.bad_utf8_record is None
            and not told.furniture
            and told.even
        )

    @property
    def unchanged(self) -> bool:
        """Whether the file is still the one that was archived; else only its original tells what was read."""
        try:
            return self.stamp is None or file_stamp(self.path.stat()) == self.stamp
        except OSError:
            return False


def file_stamp(told: os.stat_result) -> tuple[int, ...]:
    """Return what tells a file from one that was put in its place."""
    return (told.st_dev, told.st_ino, told.st_size, told.st_mtime_ns)


@dataclass
class Staged:
    """The staged rows of one source.

    Parameters
    ----------
    columns
        Raw field -> staged column, in order.
    selects
        SELECTs over staging files, each with ``file_no, record, elem`` and the staged columns.
    unsplit
        (file number, record number, reason) of records that cannot be split.
    failures
        Files that cannot be read at all: number -> error.
    """

    columns: dict[str, str]
    selects: list[str] = field(default_factory=list)
    unsplit: list[tuple[int, int, str]] = field(default_factory=list)
    failures: dict[int, InputError] = field(default_factory=dict)

    @property
    def select(self) -> str:
        """One SELECT over everything staged."""
        if self.selects:
            return "\nunion all by name\n".join(self.selects)
        fields = "".join(f", null::varchar as {c}" for c in self.columns.values())
        return f"select 0 as file_no, 0::bigint as record, 0 as elem{fields} where false"


@dataclass(frozen=True)
class StagingRoom:
    """What an adapter works with: connection, folder for staging files, pseudonyms, names of new files."""

    con: duckdb.DuckDBPyConnection
    folder: Path
    pseudonyms: Pseudonyms | None
    next_name: Callable[[], str]

    def part(self) -> Path:
        """Return the path of a new staging file."""
        return self.folder / f"{self.next_name()}.parquet"


def splitter_of(mapping: Mapping, limits: Limits | None = None) -> Splitter:
    """Return how files of a mapping's shape are cut into records; each file needs one of its own."""
    limits = limits or Limits()
    match mapping.shape:
        case "delimited":
            told = mapping.delimited
            return FurnishedSplitter(DelimitedSplitter(told.separator, told.quote), told.footer)
        case "fixed_width":
            return FurnishedSplitter(LineSplitter(), mapping.fixed_width.footer)
        case "json_array":
            return ArraySplitter(mapping.json_array.path, limits.nesting)
        case "xml":
            return ElementSplitter(mapping.xml.steps, limits.nesting)
        case "workbook":
            return SheetSplitter(mapping.workbook.sheet, limits, mapping.decimal, mapping.workbook.title_rows)
        case "hl7":
            return MessageSplitter()
        case _:
            return LineSplitter()


def has_header(mapping: Mapping) -> bool:
    """Whether the first record of such a file is a header."""
    return mapping.shape == "delimited" or (mapping.shape == "fixed_width" and mapping.fixed_width.header)


def reading_of(mapping: Mapping, limits: Limits) -> Reading:
    """Return how a file of a mapping is read in the one pass over its bytes."""
    # a message that is too long is a record that waits: its splitter sees to that
    longest = 1 << 62 if mapping.shape == "hl7" else int(limits.record_mib * 1048576)
    return Reading(
        splitter_of(mapping, limits),
        has_header(mapping),
        mapping.encoding,
        mapping.shape == "xml",
        longest,
        mapping.shape,
        limits.columns,
        title_lines=mapping.title_lines,
    )


def stage(
    room: StagingRoom,
    mapping: Mapping,
    files: Sequence[SourceFile],
    only: Map[int, Sequence[int]] | None = None,
) -> Staged:
    """Stage files of one source.

    Parameters
    ----------
    room
        Connection, folder and pseudonyms.
    mapping
        The source.
    files
        Its files.
    only
        File number -> record numbers, where not the whole files but only some records are wanted; these are
        read from the originals.
    """
    from dripledger.sources import delimited, fixed_width, json_records, workbook, xml_elements
    from dripledger.sources.hl7 import adapter as hl7

    adapters = {
        "delimited": delimited.stage, "json_lines": json_records.stage, "json_array": json_records.stage,
        "xml": xml_elements.stage, "fixed_width": fixed_width.stage, "workbook": workbook.stage,
        "hl7": hl7.stage,
    }  # fmt: skip
    staged = adapters[mapping.shape](room, mapping, files, only)
    if room.pseudonyms is not None and room.pseudonyms.missing:
        raise no_key(mapping.name, mapping.keyed_fields | mapping.pseudonym_fields)
    return staged


def quoted(text: str) -> str:
    """Return a text as a SQL string literal."""
    return "'" + text.replace("'", "''") + "'"


def read_whole(
    room: StagingRoom, part: Path, files: Sequence[SourceFile]
) -> tuple[list[tuple[int, str, int]], set[int]]:
    """Judge which files the engine read as a whole.

    Parameters
    ----------
    part
        The staging file; where there are several, its column ``fn`` names the file that a row came from.
    files
        The files that were read, in that order.

    Returns
    -------
    tuple
        (file number, path, rows) of each; numbers of those with as many rows as were counted on the bytes,
        and which are still what was counted.
    """
    name = "fn" if len(files) > 1 else quoted(str(files[0].path))
    seen = dict(
        room.con.execute(
            f"select {name} as fn, count(*) from read_parquet({quoted(str(part))}) group by all"
        ).fetchall()
    )
    counts = [(f.number, str(f.path), int(seen.get(str(f.path), 0))) for f in files]
    good = {
        f.number
        for f, (_, _, count) in zip(files, counts, strict=True)
        if count == f.original.records and f.unchanged
    }
    return counts, good


def ranged_select(room: StagingRoom, part: Path, counts: Sequence[tuple[int, str, int]], columns: str) -> str:
    """Return the SELECT over a staging file that holds the records of several files one after another.

    Parameters
    ----------
    part
        The staging file; its column ``fn`` names the file that a row came from.
    counts
        (file number, path, records) in the order in which the files were read.
    columns
        What else to select, beginning with a comma.
    """
    base, rows = 0, []
    for number, path, count in counts:
        rows.append(f"({number}, {quoted(path)}, {base}::bigint)")
        base += count
    table = part.stem
    room.con.execute(
        f"create or replace temp table {table}_files as select * from (values {', '.join(rows)}) "
        "v(file_no, fn, base)"
    )
    if len(rows) == 1:
        number, _, _ = counts[0]
        return (
            f"select {number} as file_no, s.file_row_number + 1 as record{columns} "
            f"from read_parquet({quoted(str(part))}, file_row_number = true) s"
        )
    return (
        f"select f.file_no, s.file_row_number - f.base + 1 as record{columns} "
        f"from read_parquet({quoted(str(part))}, file_row_number = true) s join {table}_files f on f.fn "
        "= s.fn"
    )
