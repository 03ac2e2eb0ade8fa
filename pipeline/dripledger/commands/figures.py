"""A result as people read it: figures rounded, columns that say nothing named once, texts cut at words."""

from __future__ import annotations

import math
import sys
import textwrap
from collections.abc import Sequence
from datetime import tzinfo
from decimal import Decimal
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from dripledger.output import terminal_width, text_of
from dripledger.widths import columns_of

#: Significant digits of what was logged or written into a library: as many as are compared.
_DIGITS: Final = 6
#: Those of what was computed, which such words in a column's name tell.
_FEW: Final = 4
_COMPUTED: Final = ("share", "per_100", "days", "expected", "ratio", "factor", "times", "low95", "high95")
#: Digits behind the point of an amount: a hundredth of an hour or of a minute.
_PLACES: Final = 2
#: Digits behind the point that a decimal column can hold here; with more, a figure stays as it is.
_MOST_PLACES: Final = 18


def for_people(table: pa.Table) -> tuple[pa.Table, list[str]]:
    """Return a result for the eye; programs get the whole from CSV, JSON or parquet.

    Parameters
    ----------
    table
        The result.

    Returns
    -------
    table
        The same rows. Real numbers are rounded to six significant digits, computed ones (shares, rates, days,
        factors) to four; whole numbers are whole. Without the columns that `left_out` names.
    left_out
        Columns that are empty or 0 in each of several rows.
    """
    left_out = [name for name in table.column_names if table.num_rows > 1 and _says_nothing(table[name])]
    return rounded(table.drop_columns(left_out)), left_out


def rounded(table: pa.Table, computed: Sequence[str] = _COMPUTED) -> pa.Table:
    """Return a result with its real numbers rounded for the eye.

    Parameters
    ----------
    table
        The result.
    computed
        Words in the names of columns that were computed: they have four significant digits, others six.
        Amounts, which are exact decimals, keep two digits behind the point.
    """
    for place, field in enumerate(table.schema):
        values = None
        if pa.types.is_floating(field.type):
            digits = _FEW if any(word in field.name for word in computed) else _DIGITS
            values = _rounded(table[field.name].to_pylist(), digits)
        elif pa.types.is_decimal(field.type) and field.type.scale > _PLACES:
            values = pc.round(table[field.name], ndigits=_PLACES, round_mode="half_to_even")
        if values is not None:
            table = table.set_column(place, field.name, values)
    return table


def narrower(
    table: pa.Table, width: int | None, zone: tzinfo | None = None
) -> tuple[pa.Table, dict[str, str]]:
    """Take columns out of a table that is too wide, where they hold one same value in several rows.

    Parameters
    ----------
    table
        The result, as `for_people` gives it.
    width
        Columns of the terminal; None: as wide as it likes.
    zone
        Zone of instants.

    Returns
    -------
    table
        The same rows.
    same
        What each column that is gone holds in every row.
    """
    if width is None or table.num_rows < 2:
        return table, {}
    texts = {
        name: [text_of(value, zone, between=" ") for value in table[name].to_pylist()]
        for name in table.column_names
    }
    wide = sum(max(map(columns_of, (name, *cells))) + 2 for name, cells in texts.items()) - 2
    same = {name: cells[0] for name, cells in texts.items() if len(set(cells)) == 1}
    if wide <= width or len(same) == len(texts):
        return table, {}
    return table.drop_columns(list(same)), same


def sentence(text: str) -> str:
    """Return a sentence as people read it: on a terminal in lines of its width, cut between words."""
    if not sys.stderr.isatty():
        return text
    return textwrap.fill(text, max(terminal_width(sys.stderr), 20), break_on_hyphens=False)


def _says_nothing(column: pa.ChunkedArray) -> bool:
    return all(value is None or value == "" or value is False or value == 0 for value in column.to_pylist())


def _rounded(values: Sequence[float | None], digits: int) -> pa.Array | None:
    """Return the values as decimals without needless digits; None where they cannot all be written so."""
    out: list[Decimal | None] = []
    for value in values:
        if value is None:
            out.append(None)
        elif not math.isfinite(value) or abs(value) >= 1e15:
            return None
        else:
            # all digits before the point stay, however few are asked for
            out.append(Decimal(f"{value:.{digits}g}") if abs(value) < 10**digits else Decimal(round(value)))
    places = max((-int(d.normalize().as_tuple().exponent) for d in out if d is not None), default=0)
    if places > _MOST_PLACES:
        return None
    return pa.array(out, pa.decimal128(38, max(places, 0)))
