"""Pages as frozen blocks: what is said, in which order, and where each number leads; nothing is escaped.

Renderers turn blocks into HTML, PDF and a workbook, and know no SQL. Plain frozen dataclasses: a report can
hold tens of thousands of cells.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Final

from dripledger.reports.model import Stamp

#: What a table can sort by, and a workbook can calculate with.
Value = str | int | float | Decimal | date | datetime | None


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its text, where it leads (a file of the report, with an anchor), and its value to sort by."""

    text: str
    href: str = ""
    value: Value = None
    #: A second, quieter line.
    note: str = ""
    #: Stands beside the text, quieter: the interval of a figure.
    beside: str = ""
    #: The counts of a figure, numerator and denominator, each with where it leads: a line of their own.
    counts: tuple[Cell, Cell] | None = None
    #: Whether the text is to be copied as it stands: an id.
    code: bool = False


@dataclass(frozen=True, slots=True)
class Column:
    """A column's title, and whether it holds numbers."""

    title: str
    number: bool = False
    #: Words break nowhere in it: dates, shifts.
    tight: bool = False
    #: Whether it stands on paper too.
    on_paper: bool = True


@dataclass(frozen=True, slots=True)
class Table:
    """A table; the first cell of a row is its heading."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    caption: str = ""
    #: What stands instead of a table without rows.
    empty: str = "None."
    sortable: bool = False
    #: Lines on paper; the rest is named as left to the pages. 0: all.
    on_paper: int = 0


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading inside a page, with its anchor."""

    text: str
    anchor: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph; `strong` stands before it, `href` leads on from it by the words of `more`.

    A `command` to type stands at its end; paper has no such paragraph.
    """

    text: str
    strong: str = ""
    href: str = ""
    more: str = ""
    quiet: bool = False
    command: str = ""


@dataclass(frozen=True, slots=True)
class Bullets:
    """Sentences below each other."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Pairs:
    """Terms and what is said of them."""

    items: tuple[tuple[Cell, str], ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure: an SVG with real text, its text alternative, and its data as a table."""

    name: str
    title: str
    svg: str
    alt: str
    data: Table


NO_PICTURE: Final = "No month has enough data to draw."


@dataclass(frozen=True, slots=True)
class Card:
    """One measure with its value, its interval, its counts, its picture, and what the picture says."""

    title: str
    value: str
    interval: str
    counts: Cell
    whole: Cell
    base: str
    words: tuple[str, ...]
    picture: Picture | None
    #: Whether its newest point belongs to a pattern that chance hardly explains.
    signal: bool = False
    note: str = ""
    define: str = ""
    #: Stands instead of a picture where there is none.
    no_picture: str = NO_PICTURE
    #: Between the counts: some "of" a whole, or so much "in" another amount.
    joined: str = "of"


@dataclass(frozen=True, slots=True)
class Cards:
    """Measures that are shown together."""

    items: tuple[Card, ...]


Block = Heading | Text | Bullets | Pairs | Table | Picture | Cards


@dataclass(frozen=True, slots=True)
class Leaf:
    """One page of the report.

    Attributes
    ----------
    file
        Its path inside the folder.
    title, lead
        Heading, and a sentence or two below it.
    blocks
        What stands on it.
    nav
        Its name in the row of pages; empty for pages that are reached from others.
    up
        The page that it belongs to: (file, title).
    before, after
        Neighbouring pages of a long list.
    """

    file: str
    title: str
    lead: str
    blocks: tuple[Block, ...]
    nav: str = ""
    up: tuple[str, str] | None = None
    before: str = ""
    after: str = ""

    @property
    def root(self) -> str:
        """What leads from the page to the folder."""
        return "../" * self.file.count("/")


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table of the workbook: real values, full local times."""

    name: str
    what: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Value | bool, ...], ...]
    #: How many rows there are, where not all stand here.
    total: int = 0


@dataclass(frozen=True, slots=True)
class Dashboard:
    """A whole report."""

    stamp: Stamp
    title: str
    month: str
    month_name: str
    standing: str
    state: str
    paper: str
    decimal: str
    share: bool
    leaves: tuple[Leaf, ...]
    #: What the PDF holds, in order.
    paper_blocks: tuple[Block, ...]
    sheets: tuple[Sheet, ...]
    cautions: tuple[str, ...] = field(default_factory=tuple)
