"""The analyst's workbook: a sheet a table, real numbers and times, the same bytes for the same report."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Final

from dripledger.reports.blocks import Dashboard, Sheet

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

_FIXED: Final = datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)
#: The longest text that a cell holds.
_LONGEST: Final = 32_767
_WIDEST: Final = 48


def render_workbook(board: Dashboard) -> bytes:
    """Return the workbook.

    Notes
    -----
    Every text is written as text: one that begins with =, +, - or @ is no formula, one that looks like an
    address no link.
    """
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(
        out,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
            "nan_inf_to_errors": True,
        },
    )
    book.set_properties(
        {
            "title": f"{board.title}, {board.month_name}",
            "created": _FIXED,
            "author": "dripledger",
            "comments": "For quality improvement; not for decisions at the bedside.",
        }
    )
    formats = {
        "head": book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1}),
        "time": book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}),
        "date": book.add_format({"num_format": "yyyy-mm-dd"}),
        "title": book.add_format({"bold": True, "font_size": 14}),
        "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
        "bold": book.add_format({"bold": True, "valign": "top"}),
    }
    _explain(book.add_worksheet("Read me"), board, formats)
    for sheet in board.sheets:
        _fill(book.add_worksheet(sheet.name), sheet, formats)
    _paper(book.worksheets(), board.paper)
    book.close()
    return out.getvalue()


def _paper(sheets: list[Worksheet], paper: str) -> None:
    for sheet in sheets:
        sheet.set_landscape()
        sheet.set_paper(9 if paper == "a4" else 1)
        sheet.fit_to_pages(1, 0)
        sheet.set_footer("&L&A&Rpage &P of &N")


def _explain(sheet: Worksheet, board: Dashboard, formats: dict[str, Format]) -> None:
    sheet.set_column(0, 0, 26)
    sheet.set_column(1, 1, 100)
    sheet.hide_gridlines(2)
    stamp = board.stamp
    sheet.write_string(0, 0, f"{board.title}, {board.month_name}", formats["title"])
    lines = [
        ("Facility", stamp.facility),
        ("Standing", f"{board.standing} {board.state}"),
        (
            "Made from",
            f"store version {stamp.store_version}, committed on {stamp.committed_on}; dripledger "
            f"{stamp.code_version}, definitions {stamp.definitions_version}",
        ),
        (
            "Times",
            "no list is in this form"
            if board.share
            else f"local to {stamp.time_zone}; full times stand here "
            "and in traces alone, pages and PDF carry date and shift",
        ),
        (
            "Counts as",
            "columns that have a measure's name say what a row is in it: counted (in the numerator), not "
            "counted (in the denominator alone), left out (in neither); empty: no business of that measure",
        ),
    ]
    lines += [("Caution", text) for text in board.cautions]
    lines += [
        (one.name, f"{one.what} ({one.total or len(one.rows)} rows{_cut(one)})") for one in board.sheets
    ]
    for place, (word, text) in enumerate(lines, start=2):
        sheet.write_string(place, 0, word, formats["bold"])
        sheet.write_string(place, 1, text[:_LONGEST], formats["wrap"])


def _cut(sheet: Sheet) -> str:
    return f", of which the first {len(sheet.rows)} stand here" if sheet.total > len(sheet.rows) else ""


def _fill(sheet: Worksheet, table: Sheet, formats: dict[str, Format]) -> None:
    sheet.freeze_panes(1, 0)
    for place, name in enumerate(table.columns):
        sheet.write_string(0, place, name, formats["head"])
    for number, row in enumerate(table.rows, start=1):
        for place, value in enumerate(row):
            _write(sheet, number, place, value, formats)
    if table.columns:
        sheet.autofilter(0, 0, max(len(table.rows), 1), len(table.columns) - 1)
    for place, name in enumerate(table.columns):
        # the first thousand rows tell how wide a column is
        longest = max((len(_shown(row[place])) for row in table.rows[:1000]), default=0)
        sheet.set_column(place, place, min(max(longest, len(name) * 0.75, 7) + 2, _WIDEST))


def _shown(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.6g}"
    return str(value)[:19] if isinstance(value, datetime) else str(value)


def _write(sheet: Worksheet, row: int, place: int, value: Any, formats: dict[str, Format]) -> None:
    if value is None or value == "":
        return
    if isinstance(value, bool):
        sheet.write_string(row, place, "yes" if value else "no")
    elif isinstance(value, datetime):
        sheet.write_datetime(row, place, value.replace(tzinfo=None), formats["time"])
    elif isinstance(value, date):
        sheet.write_datetime(row, place, datetime(value.year, value.month, value.day), formats["date"])
    elif isinstance(value, int | float) and abs(value) < 1e15:
        sheet.write_number(row, place, value)
    else:
        sheet.write_string(row, place, str(value)[:_LONGEST])
