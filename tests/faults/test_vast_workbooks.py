"""Small workbooks that unfold into vast sheets: refused on their bytes, before a reader lays the cells out.

A reader that lays a sheet out in memory fails by ending the whole process, so each is tried in a process of
its own with bounded memory.
"""

from __future__ import annotations

import io
import os
import resource
import subprocess
import sys
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from tests.functional.written_logs import BY_NAME, ROWS, open_document, packed
from tests.marks import LONG

from dripledger.errors import InputError
from dripledger.site import Limits
from dripledger.sources.workbook_scan import SheetSplitter

CHECKOUT = Path(__file__).resolve().parents[2]
READ = """
import sys
from pathlib import Path
from dripledger.errors import InputError
from dripledger.site import Limits
from dripledger.sources.workbook_scan import SheetSplitter
splitter = SheetSplitter(sys.argv[2] or None, Limits())
data = Path(sys.argv[1]).read_bytes()
try:
    splitter.consume(data, True)
    print("rows", len(list(splitter.split(data))))
except InputError as error:
    print("refused:", error)
"""
SHEET = "xl/worksheets/sheet2.xml"
TEXT = "<is><t>x</t></is></c>"
NAMES = "".join(
    f' xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
    for name in ("office", "table", "text")
)
VALUE = 'office:value-type="string"><text:p>x</text:p></table:table-cell>'


def spreadsheet(more: str) -> bytes:
    """Return a sound workbook with more in its sheet."""
    with zipfile.ZipFile(io.BytesIO(BY_NAME["xlsx"].write(ROWS[:2]))) as book:
        parts: dict[str, str | bytes] = {name: book.read(name) for name in book.namelist()}
    sheet = parts[SHEET]
    assert isinstance(sheet, bytes)
    return packed({**parts, SHEET: sheet.replace(b"</sheetData>", more.encode() + b"</sheetData>")})


def document(*rows: str) -> bytes:
    """Return an open document spreadsheet of such rows."""
    return open_document(
        f'<?xml version="1.0"?><office:document-content{NAMES}><office:body><office:spreadsheet>'
        f'<table:table table:name="Log">{"".join(rows)}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )


def bounded() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30))


def told(path: Path, sheet: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", READ, str(path), sheet], capture_output=True, text=True, timeout=60,
        cwd=CHECKOUT, env={**os.environ, "OMP_NUM_THREADS": "1"}, preexec_fn=bounded,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-500:]
    return done.stdout


#: In a plain run the first ones; the others before a merge.
_FIRST = 3


def _some(cases: Sequence[Any]) -> list[Any]:
    return [pytest.param(case, marks=LONG if n >= _FIRST else ()) for n, case in enumerate(cases)]


@pytest.mark.parametrize(
    "more",
    _some([
        f'<row r="1048576"><c r="XFD1048576" t="inlineStr">{TEXT}</row>',
        # the place of a cell counts, whatever its row says, and whether it stands in one
        f'<row r="9"><c t="inlineStr" r="XFD1048576">{TEXT}</row>',
        f"<c t='inlineStr' r = 'XFD1048576'>{TEXT}",
        f'<row r="99999999999"><c r="A99999999999" t="inlineStr">{TEXT}</row>',
        # cells without a place follow each other
        '<row r="1000000">' + f'<c t="inlineStr">{TEXT}' * 30 + "</row>",
        f'<row r="9"><c r="ZZZZZZ9" t="inlineStr">{TEXT}</row>',
        f'<row r="9"><c r="{"Z" * 300}9" t="inlineStr">{TEXT}</row>',
        f'<row r="9"><c r="A{"9" * 5000}" t="inlineStr">{TEXT}</row>',
        f'<row r="1048570"><c r="CV1048570" t="inlineStr">{TEXT}</row>',
    ]),
)  # fmt: skip
def test_a_spreadsheet_with_a_cell_far_out(tmp_path: Path, more: str) -> None:
    path = tmp_path / "log.xlsx"
    path.write_bytes(spreadsheet(more))
    assert path.stat().st_size < 10_000
    assert "refused: " in told(path, "Log & rest")


@pytest.mark.parametrize(
    "rows",
    _some([
        [f"<table:table-row><table:table-cell {VALUE}</table:table-row>",
         f'<table:table-row table:number-rows-repeated="99999999999"><table:table-cell {VALUE}'
         "</table:table-row>"],
        [f'<table:table-row><table:table-cell table:number-columns-repeated="99999999999" {VALUE}'
         "</table:table-row>"],
        ['<table:table-row><table:table-cell table:number-columns-repeated="99999999999"/>'
         f"<table:table-cell {VALUE}</table:table-row>"],
        ['<table:table-row table:number-rows-repeated="99999999999"><table:table-cell/></table:table-row>',
         f"<table:table-row><table:table-cell {VALUE}</table:table-row>"],
        [f'<table:table-row table:number-rows-repeated="1000000"><table:table-cell {VALUE}'
         f'<table:table-cell table:number-columns-repeated="99" {VALUE}</table:table-row>'],
        [f'<table:table-row table:number-rows-repeated="{"9" * 5000}"><table:table-cell {VALUE}'
         "</table:table-row>"],
    ]),
)  # fmt: skip
def test_an_open_document_that_repeats_without_end(tmp_path: Path, rows: list[str]) -> None:
    path = tmp_path / "log.ods"
    path.write_bytes(document(*rows))
    assert "refused: " in told(path, "")


def test_a_document_that_is_two_kinds_at_once(tmp_path: Path) -> None:
    """What is counted and what is read would be two different sheets."""
    with zipfile.ZipFile(io.BytesIO(spreadsheet(""))) as book:
        parts: dict[str, str | bytes] = {name: book.read(name) for name in book.namelist()}
    with zipfile.ZipFile(io.BytesIO(document())) as book:
        parts |= {name: book.read(name) for name in book.namelist()}
    path = tmp_path / "log.xlsx"
    path.write_bytes(packed(parts))
    assert "refused: " in told(path, "")


def test_sheets_as_programs_write_them_are_read() -> None:
    """Styled cells without a value and repeats that only fill the sheet up hold nothing, and cost nothing."""
    full = '<row r="1048576"><c r="XFD1048576" s="3"/></row>'
    splitter = SheetSplitter("Log & rest", Limits())
    assert splitter.consume(spreadsheet(full), True)[0] == 2
    splitter = SheetSplitter(None, Limits())
    data = document(
        f"<table:table-row><table:table-cell {VALUE}"
        '<table:table-cell table:number-columns-repeated="16383"/></table:table-row>',
        f'<table:table-row table:number-rows-repeated="3"><table:table-cell {VALUE}</table:table-row>',
        '<table:table-row table:number-rows-repeated="1048572"><table:table-cell '
        'table:number-columns-repeated="16384"/></table:table-row>',
    )
    assert splitter.consume(data, True)[0] == 3
    assert [record.fields for record in splitter.split(data)] == [[b"x"]] * 3


def test_the_limit_is_named_and_can_be_raised() -> None:
    data = spreadsheet(f'<row r="1000"><c r="J1000" t="inlineStr">{TEXT}</row>')
    with pytest.raises(InputError, match=r"spreads over 1000 rows and 10 columns.*'workbook_cells'"):
        SheetSplitter("Log & rest", Limits(workbook_cells=9_999)).consume(data, True)
    assert SheetSplitter("Log & rest", Limits(workbook_cells=10_000)).consume(data, True)[0] == 3
