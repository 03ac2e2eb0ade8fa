"""The small control chart as matplotlib draws it: what the report's own is held to."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from dripledger.reports import svg
from dripledger.reports.chart import scale_of, tick_text
from dripledger.reports.draw import canvas
from dripledger.reports.naming import short_month
from dripledger.reports.series import History

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDE, _HIGH = 3.5, 1.72
_LETTERS: Final = "abcdefghijklmnopqrstuvwxyz"

Set = Callable[[float], str]


def control_chart(found: History, name: str, set_value: Set) -> str:
    """Draw a small control chart.

    Parameters
    ----------
    found
        The measure over the months.
    name
        Its name in the report; ids of the drawing follow from it.
    set_value
        Writes a value of the measure for people.

    Returns
    -------
    str
        SVG: a point a month with its 95 % interval, the centre (dashed) and the limits (grey band), a diamond
        for a month with a signal, a hollow point for one that may still change, a dotted line with a letter
        for each declared change.
    """
    import matplotlib as mpl

    with mpl.rc_context(svg.settings(name)):
        figure, axes = canvas(_WIDE, _HIGH, left=0.135, right=0.83, top=0.87, bottom=0.16)
        points = found.reading.points
        top = _limits(axes, found)
        top = max(top, _values(axes, found))
        low, ceiling = scale_of(found, top)
        axes.set_ylim(low, ceiling + (ceiling - low) * 0.04)
        axes.set_yticks([low, ceiling], [tick_text(found, low), tick_text(found, ceiling)])
        axes.set_xlim(-0.6, len(points) - 0.4)
        places = sorted({0, len(points) - 1} | ({len(points) // 2} if len(points) > 6 else set()))
        axes.set_xticks(places, [short_month(found.months[i]) for i in places])
        for label, place in zip(axes.get_xticklabels(), places, strict=True):
            if len(points) > 1:
                label.set_horizontalalignment("left" if place == 0 else "center")
        for letter, mark in zip(_LETTERS, found.marks, strict=False):
            axes.axvline(mark.at - 0.5, color=svg.QUIET, linewidth=0.8, linestyle=(0, (1, 1.6)))
            axes.text(
                mark.at - 0.5,
                1.01,
                letter,
                transform=axes.get_xaxis_transform(),
                ha="center",
                va="bottom",
                fontsize=7.5,
            )
        _right(axes, found, set_value, low, ceiling)
        return svg.saved(figure)


def _limits(axes: Axes, found: History) -> float:
    top = 0.0
    points = found.reading.points
    for segment in found.reading.segments:
        at = [i for i in range(segment.first, segment.last + 1) if points[i].centre is not None]
        if not at:
            continue
        x = [edge for i in at for edge in (i - 0.5, i + 0.5)]

        def twice(name: str, at: list[int] = at) -> list[float]:
            return [
                float(value) * found.factor
                for i in at
                if (value := getattr(points[i], name)) is not None
                for _ in (0, 1)
            ]

        low, high, centre = twice("low"), twice("high"), twice("centre")
        if len(low) == len(x) == len(high):
            axes.fill_between(x, low, high, color=svg.BAND, linewidth=0, zorder=1)
            top = max(top, *high)
        axes.plot(x, centre, color=svg.QUIET, linewidth=0.9, linestyle=(0, (5, 3)), zorder=2)
        top = max(top, *centre)
    return top


def _values(axes: Axes, found: History) -> float:
    """Draw the months; one artist for all that look alike, as each costs more than what it draws."""
    top = 0.0
    line: list[float] = []
    intervals: list[tuple[int, float, float]] = []
    alike: dict[tuple[bool, bool], list[tuple[int, float]]] = {}
    for i, point in enumerate(found.reading.points):
        row = found.rows[i]
        if point.value is None:
            line.append(float("nan"))
            continue
        value = point.value * found.factor
        line.append(value)
        top = max(top, value)
        if row["low95"] is not None and row["high95"] is not None:
            intervals.append((i, row["low95"], row["high95"]))
            top = max(top, row["high95"])
        alike.setdefault((bool(point.signals), point.provisional), []).append((i, value))
    if intervals:
        axes.vlines(*zip(*intervals, strict=True), color=svg.BLUE, linewidth=1.0, zorder=4)
    for (signals, provisional), places in sorted(alike.items()):
        shape, size, colour = ("D", 5.5, svg.VERMILLION) if signals else ("o", 3.6, svg.BLUE)
        axes.plot(
            *zip(*places, strict=True),
            linestyle="none",
            marker=shape,
            markersize=size,
            color=colour,
            markeredgewidth=1.1,
            markerfacecolor=svg.PAPER if provisional else colour,
            zorder=5,
        )
    axes.plot(range(len(line)), line, color=svg.QUIET, linewidth=0.7, zorder=3)
    return top


def _right(axes: Axes, found: History, set_value: Set, low: float, ceiling: float) -> None:
    """Write the newest value and the centre at the right, apart from each other."""
    points = found.reading.points
    value, centre = points[-1].value, points[-1].centre
    placed: list[tuple[float, str, dict[str, Any]]] = []
    if value is not None:
        placed.append((value * found.factor, set_value(value * found.factor), {"fontweight": "bold"}))
    if centre is not None:
        placed.append(
            (centre * found.factor, f"centre\n{set_value(centre * found.factor)}", {"color": svg.QUIET})
        )
    span = (ceiling - low) or 1.0
    # two lines of the centre need more room above the months' names than one of the value
    spots = [min(max((at - low) / span, 0.13 if "\n" in text else 0.05), 0.97) for at, text, _ in placed]
    if len(spots) == 2 and abs(spots[0] - spots[1]) < 0.3:
        middle = min(max(sum(spots) / 2, 0.3), 0.8)
        above = 0.17 if spots[0] >= spots[1] else -0.17
        spots = [middle + above, middle - above]
    for spot, (_, text, style) in zip(spots, placed, strict=True):
        axes.text(
            1.02,
            spot,
            text,
            transform=axes.transAxes,
            va="center",
            ha="left",
            fontsize=8,
            linespacing=1.05,
            **style,
        )
