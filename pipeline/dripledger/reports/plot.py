"""The layout of the interval plot: care areas down, shares across."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dripledger.reports.model import AreaRow, Figure, Plot, PlotMark, PlotRow
from dripledger.reports.words import THIN

#: Groups that are no care areas: one of them at 0 % would push all others together.
NO_AREAS = ("none selected", "unmapped")


def interval_plot(areas: Sequence[AreaRow]) -> Plot | None:
    """Lay out shares and intervals of library use.

    Parameters
    ----------
    areas
        The rows of the table; those without a value and what is no care area stay out of the plot.

    Returns
    -------
    Plot or None
        Positions as fractions of the width; None where no area has a value. The axis ends at 100 % and begins
        at a multiple of 10 %, at most 50 %, that leaves every interval inside.
    """
    shown = [
        row
        for row in areas
        if row.area not in NO_AREAS and (row.starts.share is not None or row.hours.share is not None)
    ]
    if not shown:
        return None
    figures = [f for row in shown for f in (row.starts, row.hours) if f.share is not None]
    least = min(_lowest(f) for f in figures)
    begin = min(math.floor(least * 10 + 1e-9), 5) / 10
    span = 1 - begin
    steps = round(span * 10)
    stride = 1 if steps <= 5 else 2
    ticks = [i for i in range(steps + 1) if (steps - i) % stride == 0]
    rows = tuple(
        PlotRow(label=r.area, starts=_mark(r.starts, begin), hours=_mark(r.hours, begin)) for r in shown
    )
    told = "; ".join(
        f"{row.area}: "
        + ", ".join(
            f"{word} {figure.value}" + (f" ({figure.interval})" if figure.interval else "")
            for word, figure in (("starts", row.starts), ("hours", row.hours))
            if figure.share is not None
        )
        for row in shown
    )
    return Plot(
        rows=rows,
        ticks=tuple((i / steps, f"{round(begin * 100) + 10 * i}{THIN}%") for i in ticks),
        begins_at=f"{round(begin * 100)}{THIN}%",
        description=f"Library use by care area with 95 % intervals. {told}.",
    )


def _lowest(figure: Figure) -> float:
    share = figure.share if figure.share is not None else 1.0
    return share if figure.low is None else min(share, figure.low)


def _mark(figure: Figure, begin: float) -> PlotMark | None:
    if figure.share is None:
        return None
    span = 1 - begin

    def place(value: float | None) -> float | None:
        # Six places are far under a pixel, and keep the bytes the same on every machine.
        return None if value is None else round((value - begin) / span, 6)

    at = place(figure.share)
    return PlotMark(at=at or 0.0, low=place(figure.low), high=place(figure.high), text=figure.value)
