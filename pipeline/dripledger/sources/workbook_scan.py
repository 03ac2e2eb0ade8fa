"""The rows of a workbook's sheet: counted on the unpacked bytes, read by a reader that knows no count.

A workbook is a zip of XML parts and can only be read as a whole. A record's place is that of its row in the
unpacked part that holds the sheet.
"""

from __future__ import annotations

import datetime as dt
import html
import io
import posixpath
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from dripledger.errors import InputError
from dripledger.site import Limits
from dripledger.sources.opening import DAMAGED
from dripledger.sources.records import Record, Splitter
from dripledger.sources.workbook_extent import TABLE_ROW, refuse_vast_document, refuse_vast_spreadsheet

#: Stands between the values of a row where these are kept as one text.
UNIT_SEPARATOR: Final = "\x1f"
_RATIO_MATTERS_BYTES: Final = 16 << 20
_SHEET: Final = re.compile(r"<(?:\w+:)?sheet\s[^>]*>")
_RELATION: Final = re.compile(r"<(?:\w+:)?Relationship\s[^>]*>")
_ROW: Final = re.compile(rb"<(?:\w+:)?row(?=[\s/>])([^>]*?)(?:/>|>(.*?)</(?:\w+:)?row>)", re.DOTALL)
_FILLED: Final = re.compile(rb"<(?:\w+:)?(?:v|is)(?=[\s>])")
_ROW_NUMBER: Final = re.compile(rb"\sr=[\"'](\d+)[\"']")
_TABLE: Final = re.compile(rb"<table:table\s([^>]*)>(.*?)</table:table>", re.DOTALL)
_REPEATED: Final = re.compile(rb"table:number-rows-repeated=[\"'](\d+)[\"']")
_TYPED: Final = re.compile(rb"office:value-type=")


@dataclass(frozen=True, slots=True)
class SheetRow:
    """A row that holds a value: its number in the sheet (from 1), its place in the unpacked part."""

    number: int
    start: int
    end: int


def _attribute(tag: str, name: str) -> str | None:
    told = re.search(rf"\s(?:\w+:)?{name}=(\"([^\"]*)\"|'([^']*)')", tag)
    return None if told is None else html.unescape(told[2] if told[2] is not None else told[3])


def _no_sheet(sheet: str | None, names: list[str]) -> InputError:
    if sheet is None:
        return InputError("is a workbook without a sheet", do="Export it again")
    return InputError(
        f"has no sheet {sheet!r}; its sheets are: {', '.join(names)}",
        do="Correct workbook.sheet in the mapping",
    )


def _too_large(limits: Limits) -> InputError:
    return InputError(
        f"unpacks to more than {limits.workbook_mib:g} MiB, and a workbook is read as a whole",
        do="Export it as text, or raise 'workbook_mib' under [limits] in site.toml",
    )


def open_parts(block: bytes, limits: Limits) -> zipfile.ZipFile:
    """Open a workbook's parts.

    Raises
    ------
    InputError
        If it is none, or unpacks to more than the limits allow.
    """
    try:
        parts = zipfile.ZipFile(io.BytesIO(block))
        total = sum(info.file_size for info in parts.infolist())
    except DAMAGED:
        raise InputError(
            "is no workbook (xlsx or ods), or is damaged, cut off or locked with a password",
            do="Save it again as xlsx, without a password",
        ) from None
    if total > limits.workbook_mib * 1048576:
        raise _too_large(limits)
    if total > _RATIO_MATTERS_BYTES and total > limits.unpack_ratio * len(block):
        raise InputError(
            f"unpacks to more than {limits.unpack_ratio:g} times its size",
            do="Where the file is right, raise 'unpack_ratio' under [limits] in site.toml",
        )
    return parts


def rows_on_bytes(block: bytes, sheet: str | None, limits: Limits) -> tuple[str, list[SheetRow]]:
    """Find the rows that hold a value, on the unpacked bytes.

    Returns
    -------
    tuple
        The sheet's name and its rows.

    Raises
    ------
    InputError
        If it is no workbook, has no such sheet, or one past the limits.
    """
    with open_parts(block, limits) as parts:
        names = set(parts.namelist())
        try:
            main = "xl/workbook.xml"
            if len(names & {"content.xml", main, "xl/workbook.bin"}) > 1:
                # what is counted and what is read would be two different sheets
                raise InputError("is a workbook of two kinds at once", do="Save it again as xlsx")
            if "content.xml" in names:
                content = parts.read("content.xml")
                refuse_vast_document(content, limits)
                return _open_document_rows(content, sheet)
            if main not in names:
                raise InputError("is no workbook (xlsx or ods)", do="Save it as xlsx or ods")
            sheets = {
                _attribute(tag, "name") or "": _attribute(tag, "id") or ""
                for tag in _SHEET.findall(parts.read(main).decode("utf-8", "replace"))
            }
            chosen = next(iter(sheets), None) if sheet is None else sheet
            if chosen is None or chosen not in sheets:
                raise _no_sheet(sheet, list(sheets))
            relations = parts.read("xl/_rels/workbook.xml.rels").decode("utf-8", "replace")
            targets = {
                _attribute(tag, "Id"): _attribute(tag, "Target") for tag in _RELATION.findall(relations)
            }
            target = posixpath.normpath(posixpath.join("/xl", targets[sheets[chosen]] or ""))[1:]
            part = parts.read(target)
            refuse_vast_spreadsheet(part, limits)
            return chosen, list(_spreadsheet_rows(part))
        except (*DAMAGED, OSError):
            raise InputError(
                "is a damaged workbook, or locked with a password", do="Save it again as xlsx"
            ) from None


def _spreadsheet_rows(part: bytes) -> Iterator[SheetRow]:
    number = 0
    for found in _ROW.finditer(part):
        told = _ROW_NUMBER.search(found[1])
        number = int(told[1]) if told is not None else number + 1
        if found[2] is not None and _FILLED.search(found[2]) is not None:
            yield SheetRow(number, found.start(), found.end())


def _open_document_rows(part: bytes, sheet: str | None) -> tuple[str, list[SheetRow]]:
    names: list[str] = []
    for table in _TABLE.finditer(part):
        name = _attribute(" " + table[1].decode("utf-8", "replace"), "name") or ""
        names.append(name)
        if sheet is not None and name != sheet:
            continue
        rows: list[SheetRow] = []
        number = 0
        for found in TABLE_ROW.finditer(part, table.start(2), table.end(2)):
            told = _REPEATED.search(found[1])
            times = int(told[1]) if told is not None else 1
            if found[2] is not None and _TYPED.search(found[2]) is not None:
                rows += [SheetRow(number + i + 1, found.start(), found.end()) for i in range(times)]
            number += times
        return name, rows
    raise _no_sheet(sheet, names)


def as_text(value: Any, decimal: str = ".") -> str:
    """Return a cell's value as text: dates in ISO's form, numbers without a needless fraction."""
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        text = str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
        return text.replace(".", decimal)
    if isinstance(value, dt.datetime):
        # a sheet keeps time as a fraction of a day: milliseconds are as fine as it can tell
        whole = (value + dt.timedelta(microseconds=500)).replace(tzinfo=None)
        text = whole.isoformat(timespec="milliseconds")
        return text.removesuffix(".000")
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, dt.timedelta):
        return str(value.total_seconds())
    return str(value)


class SheetSplitter(Splitter):
    """One record a row that holds a value, but for the first below the title rows, which is the header.

    Parameters
    ----------
    sheet
        Name of the sheet; None: the first.
    limits
        The site's limits.
    decimal
        Decimal mark in which numbers are written out.
    title_rows
        Rows with a value above the header.
    """

    whole = True

    def __init__(self, sheet: str | None, limits: Limits, decimal: str = ".", title_rows: int = 0) -> None:
        self._sheet = sheet
        self._limits = limits
        self._decimal = decimal
        self._titles = title_rows
        self._known: bytes | None = None

    def begin(self, header: bytes) -> None:
        """Be told the header that the workbook was read with: its records are those below it."""
        self._known = header

    def consume(self, block: bytes, final: bool) -> tuple[int, int]:
        """Count the rows on the bytes once the workbook is here as a whole."""
        if not final:
            if len(block) > self._limits.workbook_mib * 1048576:
                raise _too_large(self._limits)
            return 0, 0
        if not block:
            raise InputError("is empty", do="Export it again")
        rows = self._rows(block)
        if rows:
            cells = self._cells(self._table(block), rows[0])
            if len(cells) > self._limits.columns:
                raise InputError(
                    f"has {len(cells)} columns, and {self._limits.columns} are allowed",
                    do="Where the file is right, raise 'columns' under [limits] in site.toml",
                )
            self.header = UNIT_SEPARATOR.join(cells).encode()
        return max(len(rows) - 1, 0), len(block)

    def split(self, block: bytes) -> Iterator[Record]:
        """Yield the rows as the reader gives them."""
        table = self._table(block)
        rows = self._rows(block) if self._known is None else self._below(block, table, self._known)
        _check_count(table, rows[1:])
        for row in rows[1:]:
            fields = [cell.encode() for cell in self._cells(table, row)]
            yield Record(row.start, row.end, fields, UNIT_SEPARATOR.encode().join(fields))

    def _rows(self, block: bytes) -> list[SheetRow]:
        """Return the header's row and those of the records."""
        _, rows = rows_on_bytes(block, self._sheet, self._limits)
        if self._titles and len(rows) <= self._titles:
            raise InputError(
                f"has {len(rows)} rows with a value, and {self._titles} are to stand above its header",
                do="Correct workbook.title_rows in its mapping",
            )
        return rows[self._titles :]

    def _below(self, block: bytes, table: list[list[Any]], header: bytes) -> list[SheetRow]:
        """Return a known header's row and those of the records below it."""
        _, rows = rows_on_bytes(block, self._sheet, self._limits)
        for at, row in enumerate(rows):
            if UNIT_SEPARATOR.join(self._cells(table, row)).encode() == header:
                return rows[at:]
        raise InputError(
            "has not the header in this sheet that it was read with",
            do="Put workbook.sheet in the mapping back, or read the source again with "
            "'dripledger ingest --redo'",
        )

    def _table(self, block: bytes) -> list[list[Any]]:
        """Return the sheet as its reader gives it, from its first row on."""
        import python_calamine

        try:
            book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(block))
            name = book.sheet_names[0] if self._sheet is None else self._sheet
            table: list[list[Any]] = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        except (python_calamine.CalamineError, ValueError, IndexError, OSError):
            raise InputError("is a damaged workbook", do="Save it again as xlsx") from None
        return table

    def _cells(self, table: list[list[Any]], row: SheetRow) -> list[str]:
        cells = table[row.number - 1] if row.number <= len(table) else []
        return [as_text(cell, self._decimal) for cell in cells]


def _check_count(table: list[list[Any]], rows: list[SheetRow]) -> None:
    """Refuse a sheet of which reader and count tell differently."""
    if not rows:
        return
    wanted = {row.number for row in rows}
    first = min(wanted)
    for number, cells in enumerate(table, 1):
        if number >= first and number not in wanted and any(cell not in ("", None) for cell in cells):
            raise InputError(
                f"has a value in row {number} that was not counted on its bytes", do="Save it again as xlsx"
            )
