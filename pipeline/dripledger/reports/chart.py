"""A small control chart, written as SVG without a drawing library.

A report holds a hundred of these and more, and matplotlib would spend a third of the report on them. What is
drawn, and where, is what it draws for the same months; a test holds the one to the other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

from dripledger.measures import ROWS, Form
from dripledger.reports import svg
from dripledger.reports.naming import short_month
from dripledger.reports.series import History
from dripledger.reports.sheet import BOTTOM, HIGH, LEFT, RIGHT, SIZE, TOP, WIDE, Place, Sheet, path_of, short
from dripledger.reports.words import THIN

_LETTERS: Final = "abcdefghijklmnopqrstuvwxyz"
_LETTER_SIZE: Final = 7.5
#: Of DejaVu Sans, in parts of its size: what stands above and below the line of letters (its OS/2 table).
_ASCENT, _DESCENT = 1556 / 2048, 492 / 2048
#: Two lines that belong together are set tighter than the font asks for.
_SPACING: Final = 1.05
_TICK, _PAD = 2.5, 3.5
_DASHED: Final = f"stroke-dasharray: 4.5,2.7; stroke-dashoffset: 0; stroke: {svg.QUIET}; stroke-width: 0.9"
_DOTTED: Final = f"stroke-dasharray: 0.8,1.28; stroke-dashoffset: 0; stroke: {svg.QUIET}; stroke-width: 0.8"
#: A circle in four curves, and a square on its corner.
_ROUND: Final = (
    "M 0 1.8 \nC 0.477366 1.8 0.935244 1.610341 1.272792 1.272792 \nC 1.610341 0.935244 1.8 0.477366 1.8 0 \n"
    "C 1.8 -0.477366 1.610341 -0.935244 1.272792 -1.272792 \nC 0.935244 -1.610341 0.477366 -1.8 0 -1.8 \n"
    "C -0.477366 -1.8 -0.935244 -1.610341 -1.272792 -1.272792 \n"
    "C -1.610341 -0.935244 -1.8 -0.477366 -1.8 0 \nC -1.8 0.477366 -1.610341 0.935244 -1.272792 1.272792 \n"
    "C -0.935244 1.610341 -0.477366 1.8 0 1.8 \nz\n"
)
_DIAMOND: Final = "M -0 3.889087 \nL 3.889087 0 \nL 0 -3.889087 \nL -3.889087 -0 \nz\n"

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
    bands, centres = _limits(found)
    months = _months(found)
    top = max((value for _, value in (*bands, *centres, *months.tops)), default=0.0)
    low, ceiling = scale_of(found, top)
    axes = _Axes(len(found.months), low, ceiling + (ceiling - low) * 0.04)
    sheet = Sheet(name)
    with_marks = list(zip(_LETTERS, found.marks, strict=False))
    _begin(sheet)
    for band, _ in bands:
        _band(sheet, axes, band)
    _ticks(sheet, axes, found, low, ceiling)
    for line, _ in centres:
        sheet.line(axes.places(line), _DASHED)
    for _, mark in with_marks:
        x = axes.x(mark.at - 0.5)
        sheet.line([(x, BOTTOM), (x, TOP)], _DOTTED)
    sheet.edge(((LEFT, BOTTOM), (LEFT, TOP)))
    sheet.edge(((LEFT, BOTTOM), (RIGHT, BOTTOM)))
    style = f"stroke: {svg.QUIET}; stroke-width: 0.7; stroke-linecap: square"
    sheet.line(axes.places(months.line), style)
    for letter, mark in with_marks:
        y = BOTTOM - 1.01 * (BOTTOM - TOP) - _LETTER_SIZE * _DESCENT
        sheet.text(letter, axes.x(mark.at - 0.5), y, "middle", size=_LETTER_SIZE)
    _right(sheet, found, set_value, low, ceiling)
    if months.intervals:
        sheet.lines([axes.places([(i, a), (i, b)]) for i, a, b in months.intervals], f"stroke: {svg.BLUE}")
    for (signals, provisional), line in sorted(months.alike.items()):
        shape, colour = (_DIAMOND, svg.VERMILLION) if signals else (_ROUND, svg.BLUE)
        stroke = f"stroke: {colour}; stroke-width: 1.1{'; stroke-linejoin: miter' if signals else ''}"
        sheet.markers(shape, svg.PAPER if provisional else colour, stroke, axes.places(line))
    return sheet.ended()


@dataclass(frozen=True, slots=True)
class _Axes:
    """Where a month and a value stand on the sheet."""

    months: int
    low: float
    high: float

    def x(self, month: float) -> float:
        # in this order, so that the last place is rounded as the library rounds it
        scale = (RIGHT - LEFT) * (1 / ((self.months - 0.4) + 0.6))
        return scale * month + (scale * 0.6 + LEFT)

    def y(self, value: float) -> float:
        scale = (BOTTOM - TOP) / (self.high - self.low)
        return HIGH - (scale * value + (HIGH - BOTTOM - scale * self.low))

    def places(self, points: Sequence[Place]) -> list[Place]:
        return [(self.x(month), self.y(value)) for month, value in points]


@dataclass(slots=True)
class _Months:
    """What is drawn of the months: values, their line, and their intervals."""

    line: list[Place] = field(default_factory=list)
    intervals: list[tuple[int, float, float]] = field(default_factory=list)
    #: (signal, provisional) -> places.
    alike: dict[tuple[bool, bool], list[Place]] = field(default_factory=dict)
    tops: list[Place] = field(default_factory=list)


def _months(found: History) -> _Months:
    made = _Months()
    for i, (point, row) in enumerate(zip(found.reading.points, found.rows, strict=True)):
        if point.value is None:
            made.line.append((i, math.nan))
            continue
        place = (i, point.value * found.factor)
        made.line.append(place)
        made.tops.append(place)
        if row["low95"] is not None and row["high95"] is not None:
            made.intervals.append((i, row["low95"], row["high95"]))
            made.tops.append((i, row["high95"]))
        made.alike.setdefault((bool(point.signals), point.provisional), []).append(place)
    return made


def _limits(found: History) -> tuple[list[tuple[list[Place], float]], list[tuple[list[Place], float]]]:
    """Return the bands and the centres of each stretch between restarts, each with its highest value."""
    bands, centres = [], []
    points = found.reading.points
    for segment in found.reading.segments:
        at = [i for i in range(segment.first, segment.last + 1) if points[i].centre is not None]
        if not at:
            continue
        edges = [(i, edge) for i in at for edge in (i - 0.5, i + 0.5)]

        def stepped(name: str, edges: list[tuple[int, float]] = edges) -> list[Place]:
            values = ((edge, getattr(points[i], name)) for i, edge in edges)
            return [(edge, float(value) * found.factor) for edge, value in values if value is not None]

        low, high, centre = stepped("low"), stepped("high"), stepped("centre")
        if len(low) == len(edges) == len(high):
            bands.append(([high[0], *low, high[-1], *reversed(high)], max(y for _, y in high)))
        centres.append((centre, max(y for _, y in centre)))
    return bands, centres


def _is_share(found: History) -> bool:
    return ROWS[found.measure][0].form is Form.SHARE


def scale_of(found: History, top: float) -> tuple[float, float]:
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


def tick_text(found: History, value: float) -> str:
    """Write where the axis begins or ends."""
    return f"{100 * value:.3g}{THIN}%" if _is_share(found) else f"{value:.3g}"


def _begin(sheet: Sheet) -> None:
    corners = ((0, HIGH), (WIDE, HIGH), (WIDE, 0), (0, 0), (0, HIGH))
    inner = ((LEFT, BOTTOM), (RIGHT, BOTTOM), (RIGHT, TOP), (LEFT, TOP), (LEFT, BOTTOM))
    sheet.open()
    sheet.group(f'<path d="{path_of(corners)}z\n" style="fill: none"/>')
    sheet.open()
    sheet.group(f'<path d="{path_of(inner)}z\n" style="fill: none"/>')


def _band(sheet: Sheet, axes: _Axes, outline: Sequence[Place]) -> None:
    data = f"{path_of((x, y - HIGH) for x, y in axes.places(outline))}z\n"
    named = sheet.named("m", (data, f"fill: {svg.BAND}"))
    sheet.open()
    sheet.define(f'<path id="{named}" d="{data}"/>')
    use = f'<use xlink:href="#{named}" x="0" y="{short(HIGH)}" style="fill: {svg.BAND}"/>'
    sheet.group(use, f' clip-path="url(#{sheet.clip})"')
    sheet.close()


def _ticks(sheet: Sheet, axes: _Axes, found: History, low: float, ceiling: float) -> None:
    last = len(found.months) - 1
    months = sorted({0, last} | ({(last + 1) // 2} if last > 5 else set()))
    across = [
        (short_month(found.months[i]), axes.x(i), "start" if i == 0 and last else "middle") for i in months
    ]
    up = [(tick_text(found, value), axes.y(value)) for value in (low, ceiling)]
    sheet.open()
    for place, (text, x, anchor) in enumerate(across):
        with sheet.inside():
            sheet.tick(f"M 0 0 \nL 0 {_TICK} \n", (x, BOTTOM), first=place == 0)
            sheet.text(text, x, BOTTOM + _TICK + _PAD + _above(text), anchor)
    sheet.close()
    sheet.open()
    for place, (text, y) in enumerate(up):
        with sheet.inside():
            sheet.tick(f"M 0 0 \nL -{_TICK} 0 \n", (LEFT, y), first=place == 0)
            sheet.text(text, LEFT - _TICK - _PAD, HIGH - (HIGH - y - _above(text) / 2), "end")
    sheet.close()


def _right(sheet: Sheet, found: History, set_value: Set, low: float, ceiling: float) -> None:
    """Write the newest value and the centre at the right, apart from each other."""
    points = found.reading.points
    value, centre = points[-1].value, points[-1].centre
    placed: list[tuple[float, tuple[str, ...]]] = []
    if value is not None:
        placed.append((value * found.factor, (set_value(value * found.factor),)))
    if centre is not None:
        placed.append((centre * found.factor, ("centre", set_value(centre * found.factor))))
    span = (ceiling - low) or 1.0
    # two lines of the centre need more room above the months' names than one of the value
    spots = [min(max((at - low) / span, 0.13 if len(text) > 1 else 0.05), 0.97) for at, text in placed]
    if len(spots) == 2 and abs(spots[0] - spots[1]) < 0.3:
        middle = min(max(sum(spots) / 2, 0.3), 0.8)
        above = 0.17 if spots[0] >= spots[1] else -0.17
        spots = [middle + above, middle - above]
    x = LEFT + 1.02 * (RIGHT - LEFT)
    high = _SPACING * (_ASCENT + _DESCENT) * SIZE
    for spot, (_, lines) in zip(spots, placed, strict=True):
        y = BOTTOM - spot * (BOTTOM - TOP) - len(lines) * high / 2
        # a line of letters is set so that what its letters take stands in the middle of it
        at = [y + high * (n + 0.5) + _rise(text, len(lines) == 1) for n, text in enumerate(lines)]
        if len(lines) == 1:
            sheet.text(lines[0], x, at[0], "start", bold=True)
        else:
            sheet.block([(text, x, one) for text, one in zip(lines, at, strict=True)])


def _above(text: str) -> float:
    """Return how far a text stands above its line, in points; few letters stand higher than the font says."""
    return max(_ASCENT, _extent(text, False)[0] / 100) * SIZE


def _rise(text: str, bold: bool) -> float:
    """Return how far below the middle of its height a text has its line, in points."""
    above, below = _extent(text, bold)
    return (above - below) * SIZE / 200


@cache
def _font(bold: bool) -> Any:
    from pathlib import Path

    import matplotlib as mpl
    from matplotlib.ft2font import FT2Font

    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    font = FT2Font(str(folder / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")))
    font.set_size(100, 72)
    return font


@cache
def _extent(text: str, bold: bool) -> tuple[float, float]:
    """Return what the letters of a text take above and below their line, in hundredths of the size."""
    from matplotlib.ft2font import LoadFlags

    font = _font(bold)
    font.set_text(text, 0.0, flags=LoadFlags.NO_HINTING)
    _, high = font.get_width_height()
    below = font.get_descent() / 64
    return high / 64 - below, below
