"""The sheet of a small chart: an SVG as it is written, groups inside each other, lines indented."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Final

from dripledger.reports import svg

#: The sheet and the axes on it, in points; y grows downwards.
WIDE, HIGH = 252.0, 123.84
LEFT, RIGHT, TOP, BOTTOM = 34.02, 209.16, 16.0992, 104.0256
#: Size of its letters.
SIZE: Final = 8.0
#: What the id of the part that hides what leaves the axes is made of.
_CLIP: Final = "(np.float64(34.02), np.float64(16.099199999999996), np.float64(175.14), np.float64(87.9264))"
_EDGE: Final = f"stroke: {svg.QUIET}; stroke-width: 0.6; stroke-linejoin: miter; stroke-linecap: square"

#: Across and down, in points; or a month and a value.
Place = tuple[float, float]


def short(value: float) -> str:
    """Return a number with six places at most, as short as it goes."""
    return f"{value:f}".rstrip("0").rstrip(".")


def path_of(places: Iterable[Place]) -> str:
    """Return the data of a path; a place without a value parts it in two."""
    told, letter = [], "M"
    for x, y in places:
        if math.isnan(y):
            letter = "M"
            continue
        told.append(f"{letter} {short(x)} {short(y)} \n")
        letter = "L"
    return "".join(told)


class Sheet:
    """An SVG as it is written: groups inside each other, lines indented by their depth."""

    def __init__(self, name: str) -> None:
        wide, high = short(WIDE), short(HIGH)
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
        """Write a line in the group that is open."""
        self._lines.append(f"{' ' * self._depth}{line}")

    def open(self, tag: str = "g") -> None:
        """Begin an element, by default a group."""
        self.put(f"<{tag}>")
        self._depth += 1

    def close(self, tag: str = "g") -> None:
        """End it."""
        self._depth -= 1
        self.put(f"</{tag}>")

    @contextmanager
    def inside(self) -> Iterator[None]:
        """Stand in a group that closes by itself."""
        self.open()
        yield
        self.close()

    def group(self, line: str, kind: str = "") -> None:
        """Write a line in a group of its own, which has these attributes."""
        self.open(f"g{kind}")
        self.put(line)
        self.close()

    def define(self, line: str) -> None:
        """Write what is drawn only where it is used."""
        self.open("defs")
        self.put(line)
        self.close("defs")

    def _clipped(self, data: str, style: str) -> str:
        return f'<path d="{data}" clip-path="url(#{self.clip})" style="fill: none; {style}"/>'

    def line(self, places: Sequence[Place], style: str) -> None:
        """Draw a line, cut off at the axes."""
        self.lines([places], style)

    def lines(self, lines: Sequence[Sequence[Place]], style: str) -> None:
        """Draw lines of one style."""
        self.open()
        for places in lines:
            self.put(self._clipped(path_of(places), style))
        self.close()

    def edge(self, places: Sequence[Place]) -> None:
        """Draw a side of the axes."""
        self.group(f'<path d="{path_of(places)}" style="fill: none; {_EDGE}"/>')

    def tick(self, shape: str, place: Place, *, first: bool) -> None:
        """Put a tick; the first one of a side draws its shape for all."""
        self.markers(
            shape, svg.QUIET, f"stroke: {svg.QUIET}; stroke-width: 0.6", [place], first=first, clip=False
        )

    def markers(
        self, shape: str, fill: str, stroke: str, places: Sequence[Place], *, first: bool = True,
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
            self.put(f'<use xlink:href="#{named}" x="{short(x)}" y="{short(y)}" style="{style}"/>')
        self.close()
        self.close()

    def text(
        self, text: str, x: float, y: float, anchor: str, *, size: float = SIZE, bold: bool = False
    ) -> None:
        """Write a text; `anchor` says which part of it stands at x: start, middle or end."""
        weight = "font-weight: 700; " if bold else ""
        font = f"{weight}font-size: {size:g}px; font-family: 'DejaVu Sans'"
        style = f"{font}; text-anchor: {anchor}; fill: {svg.INK}"
        place = f"{short(x)} {short(y)}"
        self.group(
            f'<text style="{style}" x="{short(x)}" y="{short(y)}" transform="rotate(-0 {place})">'
            f"{_escaped(text)}</text>"
        )

    def block(self, lines: Sequence[tuple[str, float, float]]) -> None:
        """Write lines that belong together, quieter: (text, x, y)."""
        style = f"font-size: {SIZE:g}px; font-family: 'DejaVu Sans'; fill: {svg.QUIET}"
        self.open()
        for text, x, y in lines:
            moved = f"translate({short(x)} {short(y)})"
            self.put(f'<text style="{style}" transform="{moved}">{_escaped(text)}</text>')
        self.close()

    def ended(self) -> str:
        """Return the whole SVG."""
        self.close()
        self.close()
        self.open("defs")
        self.open(f'clipPath id="{self.clip}"')
        self.put(
            f'<rect x="{short(LEFT)}" y="{short(TOP)}" width="{short(RIGHT - LEFT)}" '
            f'height="{short(BOTTOM - TOP)}"/>'
        )
        self.close("clipPath")
        self.close("defs")
        self._lines += ["</svg>", ""]
        return "\n".join(self._lines)


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
