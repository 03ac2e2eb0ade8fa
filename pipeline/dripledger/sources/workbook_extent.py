"""How far a sheet reaches, worked out on its bytes: its reader lays out every cell up to the last.

One cell far out, or a repeat without end, makes a small file a vast sheet, and a reader for which the memory
does not suffice ends the whole process.
"""

from __future__ import annotations

import re
from typing import Final

from dripledger.errors import InputError
from dripledger.site import Limits

#: Rows and columns that a sheet can have in programs that write the open formats (common practice, no
#: source: the formats themselves name no number).
_ROWS: Final = 1_048_576
_COLUMNS: Final = 16_384
_ROW: Final = re.compile(rb"<(?:\w+:)?row(?=[\s/>])([^>]*)>")
_PLACE: Final = rb"(?<![\w:.-])r\s*=\s*[\"']\s*"
_ROW_PLACE: Final = re.compile(_PLACE + rb"(\d+)")
#: A cell that is not closed at once, with its place: what is closed at once holds no value.
_FILLED: Final = re.compile(rb"<(?:\w+:)?c(?=[\s>])(?:[^>]*?" + _PLACE + rb"([A-Za-z]*)(\d*))?[^>]*(?<!/)>")
_CELL: Final = re.compile(rb"<(?:\w+:)?c(?=[\s/>])")
_TABLE: Final = re.compile(rb"<table:table\s[^>]*>(.*?)</table:table>", re.DOTALL)
#: A row of an open document's table: what it says of itself, and its cells where it has any.
TABLE_ROW: Final = re.compile(
    rb"<table:table-row(?=[\s/>])([^>]*?)(?:/>|>(.*?)</table:table-row>)", re.DOTALL
)
_TABLE_CELL: Final = re.compile(rb"<table:(?:covered-)?table-cell(?=[\s/>])([^>]*)>")
_ROWS_REPEATED: Final = re.compile(rb"table:number-rows-repeated\s*=\s*[\"'](\d+)")
_COLUMNS_REPEATED: Final = re.compile(rb"table:number-columns-repeated\s*=\s*[\"'](\d+)")
_TYPED: Final = re.compile(rb"office:value-type\s*=")


def refuse_vast_spreadsheet(part: bytes, limits: Limits) -> None:
    """Refuse the part of a spreadsheet that holds a sheet with too many cells.

    Raises
    ------
    InputError
        With the sheet's rows and columns.
    ValueError
        If a place is no number that can be read.
    """
    rows = columns = row = 0
    known: dict[bytes, int] = {}
    begins: re.Match[bytes] | None = None
    for after in (*_ROW.finditer(part), None):
        # from one row to the next: a cell outside of them is read as well
        start, end = 0 if begins is None else begins.end(), len(part) if after is None else after.start()
        cells = _FILLED.findall(part, start, end)
        if cells:
            for letters in {letters for letters, _ in cells}.difference(known):
                known[letters] = _column(letters)
            named = {letters for letters, _ in cells}
            columns = max(columns, *(known[letters] for letters in named))
            if b"" in named:
                # without a place a cell stands after the one before it
                count = len(_CELL.findall(part, start, end))
                columns = max(columns, max(known[letters] for letters in named) + count)
            rows = max(rows, row, *(int(digits) for digits in {digits for _, digits in cells} if digits))
        if after is not None:
            place = _ROW_PLACE.search(after[1])
            row = row + 1 if place is None else int(place[1])
        begins = after
    _refuse(rows, columns, limits)


def _column(letters: bytes) -> int:
    """Return the number of a column, from 1, or one more than there can be."""
    number = 0
    for letter in letters.upper()[:8]:
        number = number * 26 + letter - 64
    return min(number, _COLUMNS + 1)


def refuse_vast_document(part: bytes, limits: Limits) -> None:
    """Refuse the content of an open document if one of its sheets has too many cells: all are read.

    Raises
    ------
    InputError
        With the sheet's rows and columns.
    ValueError
        If a repeat is no number that can be read.
    """
    for table in _TABLE.finditer(part):
        rows = columns = number = 0
        for found in TABLE_ROW.finditer(part, table.start(1), table.end(1)):
            number += _times(_ROWS_REPEATED.search(found[1]))
            if found[2] is None or _TYPED.search(found[2]) is None:
                continue
            column = 0
            for cell in _TABLE_CELL.finditer(found[2]):
                column += _times(_COLUMNS_REPEATED.search(cell[1]))
                if _TYPED.search(cell[1]) is not None:
                    columns = max(columns, column)
            rows = number
        _refuse(rows, max(columns, 1), limits)


def _times(found: re.Match[bytes] | None) -> int:
    return 1 if found is None else int(found[1])


def _refuse(rows: int, columns: int, limits: Limits) -> None:
    if rows > _ROWS or columns > _COLUMNS:
        raise InputError(
            f"has a value outside of the {_ROWS} rows and {_COLUMNS} columns of a sheet", do="Save it again"
        )
    if rows * columns > limits.workbook_cells:
        raise InputError(
            f"spreads over {rows} rows and {columns} columns, more than {limits.workbook_cells} cells, and a "
            "workbook is read as a whole",
            do="Take out what stands far from the rest, export it as text, or raise 'workbook_cells' under "
            "[limits] in site.toml",
        )
