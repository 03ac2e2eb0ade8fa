"""A drug library kept in a workbook: its first sheet, read like a CSV list."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path

from dripledger.errors import ConfigurationError
from dripledger.lists import Line, check_header


def read_workbook(path: Path, required: tuple[str, ...], optional: tuple[str, ...]) -> Iterator[Line]:
    """Read the first sheet of a workbook; its first row is the header, rows without a value are passed over.

    Raises
    ------
    ConfigurationError
        If it cannot be read, or has not the columns that are wanted.
    """
    import python_calamine

    try:
        book = python_calamine.CalamineWorkbook.from_path(str(path))
        cells = book.get_sheet_by_index(0).to_python(skip_empty_area=False)
    except (python_calamine.CalamineError, ValueError, IndexError, OSError) as error:
        raise ConfigurationError(f"cannot be read as a workbook: {error}", where=path) from None
    header = [_text(value) for value in cells[0]] if cells else []
    while header and not header[-1]:
        header.pop()
    check_header(path, header, required, optional)
    for number, row in enumerate(cells[1:], start=2):
        values = [_text(value) for value in row]
        if any(values[len(header) :]):
            raise ConfigurationError("has more values than the header has columns", where=path, row=number)
        if any(values):
            yield Line(path, number, dict(zip(header, values, strict=False)))


def _text(value: object) -> str:
    """Return a cell as a person would type it into a CSV."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{int(value)}" if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime | date):
        return value.isoformat()
    return str(value).strip()
