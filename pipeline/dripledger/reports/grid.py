"""Tables of figures: rows of the table of measures, set by care area or by part."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from dripledger.reports.figures import figure
from dripledger.reports.model import Figure, FigureRow, FigureTable

_SHARE = re.compile(r"\(([^()]*%)\)")

Row = dict[str, Any]
Columns = Sequence[tuple[str, str, str]]


def by_area(rows: Iterable[Row], columns: Columns, decimal: str, hide: str) -> FigureTable:
    """Set figures by care area.

    Parameters
    ----------
    rows
        Rows of one month's table of measures by care area.
    columns
        Name of the row in that table, title of the column, and what its counts are.
    decimal, hide
        As `figure` takes them.
    """
    wanted = {name for name, _, _ in columns}
    found: dict[str, dict[str, Figure]] = {}
    for row in rows:
        if row["measure"] in wanted:
            found.setdefault(row["care_area"], {})[row["measure"]] = _short(figure(row, decimal, hide))
    return _table(found, columns)


def by_part(
    rows: Mapping[str, Row],
    lines: Sequence[tuple[str, Sequence[str]]],
    columns: Sequence[tuple[str, str]],
    decimal: str,
    hide: str,
) -> FigureTable:
    """Set figures of the whole facility: each line names the rows of its columns.

    Parameters
    ----------
    rows
        Name of the row -> row, of one month's table of measures without groups.
    lines
        Label, and the names of its rows, one a column.
    columns
        Title of the column, and what its counts are.
    decimal, hide
        As `figure` takes them.
    """  # fmt: skip
    return FigureTable(
        columns=tuple(title for title, _ in columns),
        bases=tuple(base for _, base in columns),
        rows=tuple(
            FigureRow(label=label, figures=tuple(_bare(rows[name], decimal, hide) for name in names))
            for label, names in lines
        ),
    )


def totals(
    rows: Mapping[str, Row], wanted: Columns, decimal: str, hide: str
) -> tuple[tuple[str, str, Figure], ...]:
    """Return single figures of the whole facility: title, what its counts are, figure."""
    return tuple((title, base, _bare(rows[name], decimal, hide)) for name, title, base in wanted)


def left_out(rows: Mapping[str, Row], names: Iterable[str], decimal: str, hide: str) -> tuple[str, ...]:
    """Return, once each, what the figures of these rows leave out, as sentences."""
    told = (figure(rows[name], decimal, hide) for name in names)
    reasons = dict.fromkeys(f.reason for f in told if f.value and f.reason)
    return tuple(f"{reason[0].upper()}{reason[1:]}." for reason in reasons)


def _short(found: Figure) -> Figure:
    """Say only how much a figure leaves out: a table of areas has no room to say what each time.

    The whole sentence stands in measures.csv, and for the facility below the table.
    """
    if not (found.value and found.reason):
        return found
    told = []
    for piece in found.reason.split("; "):
        share = _SHARE.search(piece)
        if share:
            why = "not recorded" if "do not record" in piece else "not known"
            told.append(f"{share[1]} {why}")
    reason = f"left out: {', '.join(told)}" if told else found.reason
    return found.model_copy(update={"reason": reason})


def _bare(row: Row, decimal: str, hide: str) -> Figure:
    """Set a figure without what it leaves out, which `left_out` says once for all."""
    found = figure(row, decimal, hide)
    return found.model_copy(update={"reason": ""}) if found.value else found


def _table(found: dict[str, dict[str, Figure]], columns: Columns) -> FigureTable:
    nothing = Figure(status="no_data")
    return FigureTable(
        columns=tuple(title for _, title, _ in columns),
        bases=tuple(base for _, _, base in columns),
        rows=tuple(
            FigureRow(label=area, figures=tuple(figures.get(name, nothing) for name, _, _ in columns))
            for area, figures in found.items()
        ),
    )
