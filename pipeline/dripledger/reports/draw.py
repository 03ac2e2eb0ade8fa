"""Figures of a report: control charts, and pumps against their type. Form and words carry the meaning."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from dripledger.measures import ROWS, Form
from dripledger.reports import svg
from dripledger.reports.naming import cut, short_month
from dripledger.reports.series import History
from dripledger.reports.words import THIN
from dripledger.statistics import FunnelReading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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

    with mpl.rc_context(svg.settings(name)), _sheet() as (figure, axes):
        points = found.reading.points
        top = _limits(axes, found)
        top = max(top, _values(axes, found))
        low, ceiling = _scale(found, top)
        axes.set_ylim(low, ceiling + (ceiling - low) * 0.04)
        axes.set_xlim(-0.6, len(points) - 0.4)
        _scales(axes, found, (low, ceiling))
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


@contextmanager
def _sheet() -> Iterator[tuple[Figure, Axes]]:
    """Give a small chart and its axes, and take away afterwards what was drawn on them.

    One sheet serves all charts of a report: making axes, and drawing their ticks, takes longer than what a
    chart shows. The edges and their marks are drawn by `_scales`.
    """
    figure, axes = _bare_chart()
    try:
        yield figure, axes
        for artist in (*axes.lines, *axes.collections, *axes.texts):
            artist.remove()
    except BaseException:
        # who knows what is still on it
        _bare_chart.cache_clear()
        raise


@cache
def _bare_chart() -> tuple[Figure, Axes]:
    figure, axes = _canvas(_WIDE, _HIGH, left=0.135, right=0.83, top=0.87, bottom=0.16)
    axes.set_axis_off()
    axes.set_autoscale_on(False)
    return figure, axes


def _scales(axes: Axes, found: History, up: tuple[float, float]) -> None:
    """Draw the edges at the left and below, with the least and greatest value and up to three months."""
    last = len(found.months) - 1
    across = sorted({0, last} | ({(last + 1) // 2} if last > 5 else set()))
    style: dict[str, Any] = {"color": svg.QUIET, "linewidth": 0.6, "clip_on": False, "zorder": 2.5}
    axes.plot([0, 0, 1], [1, 0, 0], transform=axes.transAxes, **style)
    marks = {**style, "linestyle": "none"}
    axes.plot(
        across, [0] * len(across), marker=3, markersize=2.5, transform=axes.get_xaxis_transform(), **marks
    )
    axes.plot([0, 0], up, marker=0, markersize=2.5, transform=axes.get_yaxis_transform(), **marks)
    for i in across:
        axes.annotate(
            short_month(found.months[i]),
            (i, 0),
            xycoords=axes.get_xaxis_transform(),
            xytext=(0, -6),
            textcoords="offset points",
            ha="left" if i == 0 and last else "center",
            va="top",
        )
    for value in up:
        axes.annotate(
            _tick(found, value),
            (0, value),
            xycoords=axes.get_yaxis_transform(),
            xytext=(-6, 0),
            textcoords="offset points",
            ha="right",
            va="center_baseline",
        )


def _canvas(wide: float, high: float, **margins: float) -> tuple[Figure, Axes]:
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(wide, high))
    FigureCanvasSVG(figure)
    axes = figure.add_axes(
        (
            margins["left"],
            margins["bottom"],
            margins["right"] - margins["left"],
            margins["top"] - margins["bottom"],
        )
    )
    return figure, axes


def _is_share(found: History) -> bool:
    return ROWS[found.measure][0].form is Form.SHARE


def _scale(found: History, top: float) -> tuple[float, float]:
    """Return where the axis begins and ends: round numbers that leave everything inside."""
    if not _is_share(found):
        return 0.0, _round_up(top or 1.0)
    seen = [p.value for p in found.reading.points if p.value is not None]
    seen += [p.low for p in found.reading.points if p.low is not None]
    seen += [row["low95"] for row in found.rows if row["low95"] is not None]
    least = min(seen, default=0.0)
    low = 0.0 if least < 0.5 else min(int(least * 10) / 10, 0.9)
    return low, (1.0 if low or top > 0.5 else _round_up(max(top, 0.01)))


def _round_up(value: float) -> float:
    """Return the next of 1, 2, 3, 4, 5, 6, 8 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step for step in (1, 2, 3, 4, 5, 6, 8, 10) if step * power >= value * 0.999) * power


def _tick(found: History, value: float) -> str:
    return f"{100 * value:.3g}{THIN}%" if _is_share(found) else f"{value:.3g}"


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
            # there is room for so much
            text.replace("under ", "<"),
            transform=axes.transAxes,
            va="center",
            ha="left",
            fontsize=8,
            linespacing=1.05,
            **style,
        )


def funnel(found: FunnelReading, name: str, across: str, up: str, factor: float) -> str:
    """Draw points against how much each rests on, with the limits of chance; what lies outside is named."""
    import matplotlib as mpl

    with mpl.rc_context(svg.settings(name)):
        figure, axes = _canvas(6.4, 2.7, left=0.1, right=0.97, top=0.95, bottom=0.18)
        shown = sorted(
            (p for p in found.points if p.value is not None), key=lambda p: (p.denominator, p.label)
        )
        x = [p.denominator for p in shown]
        for limit, style in (("inner", (0, (1, 1.8))), ("outer", "-")):
            for side in (0, 1):
                pairs = [getattr(p, limit) for p in shown]
                y = [pair[side] * factor for pair in pairs if pair is not None]
                if len(y) == len(x):
                    axes.plot(x, y, color=svg.QUIET, linewidth=0.9, linestyle=style)
                    if x and side == 1:
                        word = "95 %" if limit == "inner" else "99.8 %"
                        axes.text(x[0], y[0], f"{word} ", ha="left", va="bottom", fontsize=7, color=svg.QUIET)
        if found.target is not None:
            axes.axhline(found.target * factor, color=svg.QUIET, linewidth=0.9, linestyle=(0, (5, 3)))
        for point in shown:
            outside = point.beyond_outer != 0
            axes.plot(
                [point.denominator],
                [float(point.value or 0) * factor],
                marker="D" if outside else "o",
                markersize=5.5 if outside else 3.4,
                color=svg.VERMILLION if outside else svg.BLUE,
            )
            if outside:
                axes.annotate(
                    cut(point.label, 24),
                    (point.denominator, float(point.value or 0) * factor),
                    xytext=(5, 4),
                    textcoords="offset points",
                    fontsize=7.5,
                )
        axes.set_ylim(bottom=0)
        axes.set_xlabel(across)
        axes.set_ylabel(up)
        return svg.saved(figure)
