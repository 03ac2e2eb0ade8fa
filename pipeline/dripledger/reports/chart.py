"""A small control chart, written as SVG without a drawing library.

A report holds a hundred of these and more, and matplotlib would spend a third of the report on them. What is
drawn, and where, is what it draws for the same months; a test holds the one to the other.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

from dripledger.measures import ROWS, Form
from dripledger.reports import svg
from dripledger.reports.naming import short_month
from dripledger.reports.series import History
from dripledger.reports.words import THIN

#: The sheet and the axes on it, in points; y grows downwards.
_WIDE, _HIGH = 252.0, 123.84
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.02, 209.16, 16.0992, 104.0256
_LETTERS: Final = "abcdefghijklmnopqrstuvwxyz"
_SIZE, _LETTER_SIZE = 8.0, 7.5
#: Of DejaVu Sans, in parts of its size: what stands above and below the line of letters (its OS/2 table).
_ASCENT, _DESCENT = 1556 / 2048, 492 / 2048
#: Two lines that belong together are set tighter than the font asks for.
_SPACING: Final = 1.05
_TICK, _PAD = 2.5, 3.5
#: Names the part that hides what leaves the axes.
_CLIP: Final = "(np.float64(34.02), np.float64(16.099199999999996), np.float64(175.14), np.float64(87.9264))"
_DASHED: Final = f"stroke-dasharray: 4.5,2.7; stroke-dashoffset: 0; stroke: {svg.QUIET}; stroke-width: 0.9"
_DOTTED: Final = f"stroke-dasharray: 0.8,1.28; stroke-dashoffset: 0; stroke: {svg.QUIET}; stroke-width: 0.8"
_EDGE: Final = f"stroke: {svg.QUIET}; stroke-width: 0.6; stroke-linejoin: miter; stroke-linecap: square"
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
_Place = tuple[float, float]


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
    sheet = _Sheet(name)
    with_marks = list(zip(_LETTERS, found.marks, strict=False))
    _begin(sheet)
    for band, _ in bands:
        _band(sheet, axes, band)
    _ticks(sheet, axes, found, low, ceiling)
    for line, _ in centres:
        sheet.line(axes.places(line), _DASHED)
    for _, mark in with_marks:
        x = axes.x(mark.at - 0.5)
        sheet.line([(x, _BOTTOM), (x, _TOP)], _DOTTED)
    sheet.edge(((_LEFT, _BOTTOM), (_LEFT, _TOP)))
    sheet.edge(((_LEFT, _BOTTOM), (_RIGHT, _BOTTOM)))
    style = f"stroke: {svg.QUIET}; stroke-width: 0.7; stroke-linecap: square"
    sheet.line(axes.places(months.line), style)
    for letter, mark in with_marks:
        y = _BOTTOM - 1.01 * (_BOTTOM - _TOP) - _LETTER_SIZE * _DESCENT
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
        scale = (_RIGHT - _LEFT) / (self.months + 0.2)
        return scale * month + (scale * 0.6 + _LEFT)

    def y(self, value: float) -> float:
        scale = (_BOTTOM - _TOP) / (self.high - self.low)
        return _HIGH - (scale * value + (_HIGH - _BOTTOM - scale * self.low))

    def places(self, points: Sequence[_Place]) -> list[_Place]:
        return [(self.x(month), self.y(value)) for month, value in points]


@dataclass(slots=True)
class _Months:
    """What is drawn of the months: values, their line, and their intervals."""

    line: list[_Place] = field(default_factory=list)
    intervals: list[tuple[int, float, float]] = field(default_factory=list)
    #: (signal, provisional) -> places.
    alike: dict[tuple[bool, bool], list[_Place]] = field(default_factory=dict)
    tops: list[_Place] = field(default_factory=list)


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


def _limits(found: History) -> tuple[list[tuple[list[_Place], float]], list[tuple[list[_Place], float]]]:
    """Return the bands and the centres of each stretch between restarts, each with its highest value."""
    bands, centres = [], []
    points = found.reading.points
    for segment in found.reading.segments:
        at = [i for i in range(segment.first, segment.last + 1) if points[i].centre is not None]
        if not at:
            continue
        edges = [(i, edge) for i in at for edge in (i - 0.5, i + 0.5)]

        def stepped(name: str, edges: list[tuple[int, float]] = edges) -> list[_Place]:
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


def _begin(sheet: _Sheet) -> None:
    corners = ((0, _HIGH), (_WIDE, _HIGH), (_WIDE, 0), (0, 0), (0, _HIGH))
    inner = ((_LEFT, _BOTTOM), (_RIGHT, _BOTTOM), (_RIGHT, _TOP), (_LEFT, _TOP), (_LEFT, _BOTTOM))
    sheet.open()
    sheet.group(f'<path d="{_path(corners)}z\n" style="fill: none"/>')
    sheet.open()
    sheet.group(f'<path d="{_path(inner)}z\n" style="fill: none"/>')


def _band(sheet: _Sheet, axes: _Axes, outline: Sequence[_Place]) -> None:
    data = f"{_path((x, y - _HIGH) for x, y in axes.places(outline))}z\n"
    named = sheet.named("m", (data, f"fill: {svg.BAND}"))
    sheet.open()
    sheet.define(f'<path id="{named}" d="{data}"/>')
    use = f'<use xlink:href="#{named}" x="0" y="{_short(_HIGH)}" style="fill: {svg.BAND}"/>'
    sheet.group(use, f' clip-path="url(#{sheet.clip})"')
    sheet.close()


def _ticks(sheet: _Sheet, axes: _Axes, found: History, low: float, ceiling: float) -> None:
    last = len(found.months) - 1
    months = sorted({0, last} | ({(last + 1) // 2} if last > 5 else set()))
    across = [
        (short_month(found.months[i]), axes.x(i), "start" if i == 0 and last else "middle") for i in months
    ]
    up = [(tick_text(found, value), axes.y(value)) for value in (low, ceiling)]
    sheet.open()
    for place, (text, x, anchor) in enumerate(across):
        with sheet.inside():
            sheet.tick(f"M 0 0 \nL 0 {_TICK} \n", (x, _BOTTOM), first=place == 0)
            sheet.text(text, x, _BOTTOM + _TICK + _PAD + _above(text), anchor)
    sheet.close()
    sheet.open()
    for place, (text, y) in enumerate(up):
        with sheet.inside():
            sheet.tick(f"M 0 0 \nL -{_TICK} 0 \n", (_LEFT, y), first=place == 0)
            sheet.text(text, _LEFT - _TICK - _PAD, _HIGH - (_HIGH - y - _above(text) / 2), "end")
    sheet.close()


def _right(sheet: _Sheet, found: History, set_value: Set, low: float, ceiling: float) -> None:
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
    x = _LEFT + 1.02 * (_RIGHT - _LEFT)
    high = _SPACING * (_ASCENT + _DESCENT) * _SIZE
    for spot, (_, lines) in zip(spots, placed, strict=True):
        y = _BOTTOM - spot * (_BOTTOM - _TOP) - len(lines) * high / 2
        # a line of letters is set so that what its letters take stands in the middle of it
        at = [y + high * (n + 0.5) + _rise(text, len(lines) == 1) for n, text in enumerate(lines)]
        if len(lines) == 1:
            sheet.text(lines[0], x, at[0], "start", bold=True)
        else:
            sheet.block([(text, x, one) for text, one in zip(lines, at, strict=True)])


def _above(text: str) -> float:
    """Return how far a text stands above its line, in points; few letters stand higher than the font says."""
    return max(_ASCENT, _extent(text, False)[0] / 100) * _SIZE


def _rise(text: str, bold: bool) -> float:
    """Return how far below the middle of its height a text has its line, in points."""
    above, below = _extent(text, bold)
    return (above - below) * _SIZE / 200


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


def _short(value: float) -> str:
    return f"{value:f}".rstrip("0").rstrip(".")


def _path(places: Sequence[_Place] | Iterator[_Place]) -> str:
    """Return the data of a path; a place without a value parts it in two."""
    told, letter = [], "M"
    for x, y in places:
        if math.isnan(y):
            letter = "M"
            continue
        told.append(f"{letter} {_short(x)} {_short(y)} \n")
        letter = "L"
    return "".join(told)


class _Inside:
    """A group that closes by itself."""

    def __init__(self, sheet: _Sheet) -> None:
        self._sheet = sheet

    def __enter__(self) -> None:
        self._sheet.open()

    def __exit__(self, *_: object) -> None:
        self._sheet.close()


class _Sheet:
    """An SVG as it is written: groups inside each other, lines indented by their depth."""

    def __init__(self, name: str) -> None:
        wide, high = _short(_WIDE), _short(_HIGH)
        size = f'width="{wide}pt" height="{high}pt" viewBox="0 0 {wide} {high}"'
        self._name = name
        self._lines = [
            f'<svg xmlns:xlink="http://www.w3.org/1999/xlink" {size} '
            'xmlns="http://www.w3.org/2000/svg" version="1.1">'
        ]
        self._depth = 1
        self.clip = self.named("p", _CLIP)
        self.define('<style type="text/css">*{stroke-linejoin: round; stroke-linecap: butt}</style>')

    def named(self, kind: str, content: object) -> str:
        """Return an id that no other figure of a page has, for its name is in it."""
        return f"{kind}{hashlib.sha256(f'{self._name}{content}'.encode()).hexdigest()[:10]}"

    def put(self, line: str) -> None:
        self._lines.append(f"{' ' * self._depth}{line}")

    def open(self, tag: str = "g") -> None:
        self.put(f"<{tag}>")
        self._depth += 1

    def close(self, tag: str = "g") -> None:
        self._depth -= 1
        self.put(f"</{tag}>")

    def inside(self) -> _Inside:
        return _Inside(self)

    def group(self, line: str, kind: str = "") -> None:
        self.open(f"g{kind}")
        self.put(line)
        self.close()

    def define(self, line: str) -> None:
        self.open("defs")
        self.put(line)
        self.close("defs")

    def _clipped(self, data: str, style: str) -> str:
        return f'<path d="{data}" clip-path="url(#{self.clip})" style="fill: none; {style}"/>'

    def line(self, places: Sequence[_Place], style: str) -> None:
        self.lines([places], style)

    def lines(self, lines: Sequence[Sequence[_Place]], style: str) -> None:
        self.open()
        for places in lines:
            self.put(self._clipped(_path(places), style))
        self.close()

    def edge(self, places: Sequence[_Place]) -> None:
        self.group(f'<path d="{_path(places)}" style="fill: none; {_EDGE}"/>')

    def tick(self, shape: str, place: _Place, *, first: bool) -> None:
        self.markers(
            shape, svg.QUIET, f"stroke: {svg.QUIET}; stroke-width: 0.6", [place], first=first, clip=False
        )

    def markers(
        self, shape: str, fill: str, stroke: str, places: Sequence[_Place], *, first: bool = True,
        clip: bool = True,
    ) -> None:  # fmt: skip
        """Put a shape at each place; it stands in the figure once."""
        style = f"fill: {fill}; {stroke}"
        named = self.named("m", (shape, style))
        self.open()
        if first:
            self.define(f'<path id="{named}" d="{shape}" style="{stroke}"/>')
        self.open(f'g clip-path="url(#{self.clip})"' if clip else "g")
        for x, y in places:
            self.put(f'<use xlink:href="#{named}" x="{_short(x)}" y="{_short(y)}" style="{style}"/>')
        self.close()
        self.close()

    def text(
        self, text: str, x: float, y: float, anchor: str, *, size: float = _SIZE, bold: bool = False
    ) -> None:
        weight = "font-weight: 700; " if bold else ""
        font = f"{weight}font-size: {size:g}px; font-family: 'DejaVu Sans'"
        style = f"{font}; text-anchor: {anchor}; fill: {svg.INK}"
        place = f"{_short(x)} {_short(y)}"
        self.group(
            f'<text style="{style}" x="{_short(x)}" y="{_short(y)}" transform="rotate(-0 {place})">'
            f"{_escaped(text)}</text>"
        )

    def block(self, lines: Sequence[tuple[str, float, float]]) -> None:
        style = f"font-size: {_SIZE:g}px; font-family: 'DejaVu Sans'; fill: {svg.QUIET}"
        self.open()
        for text, x, y in lines:
            moved = f"translate({_short(x)} {_short(y)})"
            self.put(f'<text style="{style}" transform="{moved}">{_escaped(text)}</text>')
        self.close()

    def ended(self) -> str:
        self.close()
        self.close()
        self.open("defs")
        self.open(f'clipPath id="{self.clip}"')
        self.put(
            f'<rect x="{_short(_LEFT)}" y="{_short(_TOP)}" width="{_short(_RIGHT - _LEFT)}" '
            f'height="{_short(_BOTTOM - _TOP)}"/>'
        )
        self.close("clipPath")
        self.close("defs")
        self._lines += ["</svg>", ""]
        return "\n".join(self._lines)


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
