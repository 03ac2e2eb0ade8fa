"""Tables as CSV: one form for every table of a report."""

from __future__ import annotations

import csv
import io
from datetime import date
from decimal import Decimal
from typing import Any

import pyarrow as pa


def as_csv(table: pa.Table) -> str:
    """Return a table as CSV: UTF-8, comma, line feed, a point for decimals, an empty cell for null.

    A text that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(table.column_names)
    for row in table.to_pylist():
        writer.writerow([_cell(value) for value in row.values()])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Decimal):
        text = format(value, "f")
        return text.rstrip("0").rstrip(".") if "." in text else text
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    text = str(value)
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
