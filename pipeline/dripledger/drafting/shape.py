"""Which shape a file has, told by its bytes: the sample of its first records."""

from __future__ import annotations

import io
from itertools import islice
from pathlib import Path
from typing import Any, Final

from dripledger.drafting.lines import delimited, fixed_width
from dripledger.drafting.nested import json_array, json_lines, xml
from dripledger.drafting.sample import SAMPLE_RECORDS, Head, Sample, decode, read_head
from dripledger.drafting.words import concepts_of
from dripledger.errors import InputError
from dripledger.site import Limits
from dripledger.sources.hl7.splitter import MessageSplitter
from dripledger.sources.workbook_scan import UNIT_SEPARATOR, SheetSplitter

#: A sheet with fewer headers that are understood holds no log.
_LEAST_HEADERS: Final = 2
#: The header is looked for among so many rows of a sheet.
_TOP_ROWS: Final = 11


def sniff(path: Path, limits: Limits) -> tuple[Head, Sample]:
    """Return the beginning of a file and what its first records are.

    Raises
    ------
    UsageError
        If there is no such file.
    InputError
        If it cannot be read, or has no shape that is read here.
    """
    head = read_head(path, limits)
    if head.data[:4] == b"PK\x03\x04":
        return head, _workbook(head, limits)
    decode(head)
    if _has_messages(head):
        return head, Sample("hl7", {}, {}, "its lines are segments of HL7 v2 messages")
    # one object that spans the file is a document, several of them are lines
    many = head.text.count("\n{") > 0
    json_shapes = (json_lines, json_array) if many else (json_array, json_lines)
    for shape in (xml, *json_shapes, delimited, fixed_width):
        sample = shape(head)
        if sample is not None and sample.values:
            if head.encoding is not None:
                sample.options["encoding"] = head.encoding
            return head, sample
    raise InputError(
        "no shape fits: it is no XML, JSON, message or workbook, and no separator or blank "
        "makes columns with "
        "a header of its lines",
        where=path,
        do="A delimited file needs a header line; write the mapping by hand where the columns have no names",
    )


def _has_messages(head: Head) -> bool:
    text = head.text.lstrip("\x0b\r\n ")
    splitter = MessageSplitter()
    return text[:3] in ("MSH", "FHS", "BHS") and splitter.consume(text.encode("utf-8"), True)[0] > 0


def _workbook(head: Head, limits: Limits) -> Sample:
    """Return the sample of the sheet whose header looks most like that of a log."""
    names = _sheet_names(head, limits)
    tops = {(name, at): row for name in names for at, row in enumerate(_top(head, limits, name))}
    known = {place: sum(bool(concepts_of(cell)) for cell in row) for place, row in tops.items()}
    # of equals the first
    best, titles = max(tops, key=lambda place: known[place])
    if known[best, titles] < _LEAST_HEADERS:
        raise InputError(
            "is a workbook, and none of its sheets begins with a header that is understood",
            where=head.path,
            do=f"The header has to be among the first {_TOP_ROWS} rows that hold a value",
        )
    splitter = SheetSplitter(best, limits, ".", titles)
    header = tops[best, titles]
    width = len(header)
    try:
        rows = [[v.decode("utf-8") for v in row.fields or ()] for row in splitter.split(head.data)]
    except InputError as error:
        error.where = error.where or str(head.path)
        raise
    rows = [[*row[:width], *[""] * (width - len(row))] for row in rows[:SAMPLE_RECORDS]]
    values: dict[str, list[str | None]] = {
        name: [row[at].strip() or None for row in rows] for at, name in enumerate(header) if name
    }
    first = names[0] == best
    why = f"it is a workbook; its {'first sheet' if first else f'sheet {best!r}'} has the header of a log"
    options: dict[str, Any] = {} if first else {"sheet": best}
    if titles:
        options["title_rows"] = titles
        why += f", below {titles} row{'s' if titles > 1 else ''} with something else"
    return Sample("workbook", options, values, why)


def _sheet_names(head: Head, limits: Limits) -> list[str]:
    import python_calamine

    # what is no workbook, or too large, is told by the one reader that knows what to say
    _top(head, limits, None)
    return list(python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(head.data)).sheet_names)


def _top(head: Head, limits: Limits, sheet: str | None) -> list[list[str]]:
    """Return the first rows of a sheet that hold a value: one of them is its header."""
    splitter = SheetSplitter(sheet, limits, ".")
    try:
        splitter.consume(head.data, True)
        rows = [
            splitter.header,
            *(row.data or b"" for row in islice(splitter.split(head.data), _TOP_ROWS - 1)),
        ]
    except InputError as error:
        error.where = error.where or str(head.path)
        raise
    return [[name.strip() for name in row.decode("utf-8").split(UNIT_SEPARATOR)] for row in rows]
