"""A page of blocks as HTML: everything that comes from a log or a list is escaped, nothing is loaded."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import Final

from dripledger.reports.blocks import (
    Block,
    Bullets,
    Card,
    Cards,
    Cell,
    Column,
    Dashboard,
    Heading,
    Leaf,
    Pairs,
    Picture,
    Table,
    Text,
)
from dripledger.reports.svg import for_page
from dripledger.reports.templating import environment

#: An option of the command line, or a day.
_WHOLE: Final = re.compile(r"(?<![\w-])(?:--[a-z][a-z-]*\b|\d{4}-\d\d-\d\d(?![\w-]))")
#: Letters from which a word is long.
_WORD = 24
#: Letters up to which a note stays on one line.
_SHORT = 12


def render_leaves(board: Dashboard) -> Iterator[tuple[str, str]]:
    """Render every page: (file, HTML document)."""
    template = environment().get_template("leaf.html.j2")
    nav = navigation(board)
    for leaf in board.leaves:
        made = template.render(
            board=board, leaf=leaf, nav=nav, body=_Safe(_blocks(leaf)), files=not board.share
        )
        yield leaf.file, made


def style_sheet() -> str:
    """Return the style sheet of the pages."""
    template = environment()
    return template.get_template("style.css.j2").render() + template.get_template("leaf.css.j2").render()


def navigation(board: Dashboard) -> tuple[tuple[str, str], ...]:
    """Return the row of pages: (file, name)."""
    pages = [(leaf.file, leaf.nav) for leaf in board.leaves if leaf.nav]
    return tuple(pages)


class _Safe(str):
    """HTML that is escaped already."""

    __slots__ = ()

    def __html__(self) -> str:
        return str(self)


def _blocks(leaf: Leaf) -> str:
    return "\n".join(_block(block, leaf) for block in leaf.blocks)


def _block(block: Block, leaf: Leaf) -> str:
    match block:
        case Heading():
            return f'<h{block.level} id="{escape(block.anchor)}">{escape(block.text)}</h{block.level}>'
        case Text():
            return _text(block, leaf)
        case Bullets():
            tag = "ol" if block.numbered else "ul"
            return (
                f'<{tag} class="told">{"".join(f"<li>{_prose(item)}</li>" for item in block.items)}</{tag}>'
            )
        case Pairs():
            items = (f"<dt>{_inner(term, leaf)}</dt><dd>{_prose(told)}</dd>" for term, told in block.items)
            return f'<dl class="pairs">{"".join(items)}</dl>'
        case Table():
            return table_html(block, leaf)
        case Picture():
            return f'<figure class="large">{_picture(block, leaf)}</figure>'
        case Cards():
            return f'<div class="cards">{"".join(_card(card, leaf) for card in block.items)}</div>'


def _prose(text: str) -> str:
    """Return a text as HTML: no line ends inside of an option, which is typed as it stands, or of a day."""
    return _WHOLE.sub(r'<span class="option">\g<0></span>', escape(text))


def _text(block: Text, leaf: Leaf) -> str:
    strong = f"<b>{escape(block.strong)}</b> " if block.strong else ""
    more = f' <a href="{_href(block.href, leaf)}">{escape(block.more)}</a>' if block.href else ""
    kind = ' class="quiet"' if block.quiet else ""
    prose = _prose(block.text)
    words = f"{prose} " if block.text and not block.strong.endswith(":") else prose
    if block.strong.endswith(":"):
        return f"<p{kind}>{words} {strong}{more.strip()}</p>"
    command = f' <code class="option">{escape(block.command)}</code>' if block.command else ""
    return f"<p{kind}>{strong}{words.strip()}{more}{command}</p>"


def _href(href: str, leaf: Leaf) -> str:
    return escape(href if href.startswith("#") else f"{leaf.root}{href}")


def _inner(cell: Cell, leaf: Leaf) -> str:
    text = escape(cell.text)
    if cell.href:
        text = f'<a href="{_href(cell.href, leaf)}">{text}</a>'
    if cell.code:
        text = f"<code>{text}</code>"
    elif len(cell.text) > _WORD and max(map(len, cell.text.split()), default=0) > _WORD:
        # a word without an end may break anywhere, the others only between words
        text = f'<span class="long">{text}</span>'
    if cell.note or cell.beside or cell.counts:
        text = f"<span>{text}{_below(cell, leaf)}</span>"
    return text


def _below(cell: Cell, leaf: Leaf) -> str:
    counts = " of ".join(_inner(one, leaf) for one in cell.counts) if cell.counts else ""
    beside = f' <span class="quiet">({escape(cell.beside)})</span>' if cell.beside else ""
    note = escape(cell.note)
    if 0 < len(cell.note) <= _SHORT:
        note = f'<span class="option">{note}</span>'
    lines = (counts, note)
    return beside + "".join(f'<span class="note">{line}</span>' for line in lines if line)


def table_html(table: Table, leaf: Leaf) -> str:
    """Render a table; each cell carries its column's title for narrow screens."""
    if not table.rows:
        return f"<p>{escape(table.empty)}</p>"
    caption = f"<caption>{escape(table.caption)}</caption>" if table.caption else ""
    heads = "".join(_head(column) for column in table.columns)
    starts = [_cell_start(column) for column in table.columns]
    tight = ' class="one"' if table.columns[0].tight else ""
    rows = []
    for row in table.rows:
        cells = [f'<th role="rowheader" scope="row"{tight}{_key(row[0])}>{_inner(row[0], leaf)}</th>']
        for start, cell in zip(starts[1:], row[1:], strict=True):
            cells.append(f"{start}{_key(cell)}>{_inner(cell, leaf)}</td>")
        rows.append(f'<tr role="row">{"".join(cells)}</tr>')
    kind = "stack sortable" if table.sortable and len(table.rows) > 1 else "stack"
    kind += " many" if len(table.columns) > 7 else ""
    # far apart, a name and its number are hard to bring together
    kind += " few" if len(table.columns) <= 4 and all(one.number for one in table.columns[1:]) else ""
    return (
        f'<div class="wide"><table class="{kind}" role="table">{caption}<thead role="rowgroup">'
        f'<tr role="row">{heads}</tr></thead><tbody role="rowgroup">{chr(10).join(rows)}</tbody></table>'
        "</div>"
    )


def _head(column: Column) -> str:
    kind = ' class="num"' if column.number else ""
    return f'<th role="columnheader" scope="col"{kind}>{escape(column.title)}</th>'


def _cell_start(column: Column) -> str:
    kinds = [name for name, on in (("num", column.number), ("one", column.tight)) if on]
    kind = f' class="{" ".join(kinds)}"' if kinds else ""
    return f'<td role="cell" data-label="{escape(column.title)}"{kind}'


def _key(cell: Cell) -> str:
    return "" if cell.value is None else f' data-key="{escape(str(cell.value))}"'


def _picture(picture: Picture, leaf: Leaf) -> str:
    data = table_html(picture.data, leaf)
    return (
        f'<div class="chart" role="img" aria-label="{escape(picture.alt)}">{for_page(picture.svg)}</div>'
        '<details><summary>Figures of this picture<span class="hidden">: '
        f"{escape(picture.title)}</span></summary>"
        f"{data}</details>"
    )


def _card(card: Card, leaf: Leaf) -> str:
    counts = ""
    if card.counts.text:
        part, whole = _inner(card.counts, leaf), _inner(card.whole, leaf)
        counts = f'<p class="counts">{part} {card.joined} {whole} {escape(card.base)}</p>'
    interval = f" <i>({escape(card.interval)})</i>" if card.interval else ""
    words = "".join(
        f"<li>{'<b>Signal.</b> ' if card.signal and i == 0 else ''}{escape(text)}</li>"
        for i, text in enumerate(card.words)
    )
    note = f'<p class="note">{escape(card.note)}</p>' if card.note else ""
    drawn = _picture(card.picture, leaf) if card.picture else f'<p class="note">{escape(card.no_picture)}</p>'
    define = (
        f'<a href="{_href(card.define, leaf)}">{escape(card.title)}</a>'
        if card.define
        else escape(card.title)
    )
    return (
        f'<article class="card{" signal" if card.signal else ""}"><h3>{define}</h3>'
        f'<p class="value"><b>{escape(card.value)}</b>{interval}</p>{counts}{note}'
        f'{drawn}<ul class="words">{words}</ul></article>'
    )


def links_of(files: Mapping[str, str]) -> Sequence[tuple[str, str]]:
    """Return every link of rendered pages: (page, href as it stands); for checks."""
    return [(name, href) for name, text in files.items() for href in re.findall(r'href="([^"]*)"', text)]
