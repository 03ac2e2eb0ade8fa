"""The committee's PDF: tagged, with bookmarks, the stamp on each page, pinned fonts, no date of its own."""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from dripledger.reports.blocks import (
    Block,
    Bullets,
    Card,
    Cards,
    Cell,
    Dashboard,
    Heading,
    Pairs,
    Picture,
    Table,
    Text,
)

_TEMPLATES: Final = Path(__file__).resolve().parent / "templates"
_PAPERS: Final = {"a4": "a4", "letter": "us-letter"}
#: A long name is cut on paper; pages and workbook have the whole.
_LONGEST: Final = 160


def render_paper(board: Dashboard) -> bytes:
    """Return the PDF.

    Parameters
    ----------
    board
        The composed report. What comes from a log reaches the typesetter as data, never as markup.
    """
    pictures = dict(_pictures(board.paper_blocks))
    stamp = board.stamp
    page = {
        "title": board.title,
        "facility": stamp.facility,
        "month": board.month_name,
        "standing": board.standing,
        "state": board.state,
        "share": board.share,
        "paper": _PAPERS[board.paper],
        "stamp": (
            f"Store version {stamp.store_version} of {stamp.committed_on}; dripledger "
            f"{stamp.code_version}, definitions "
            f"{stamp.definitions_version}; times local to {stamp.time_zone}; "
            f"{board.standing.lower().rstrip('.')}"
        ),
        "caution": "For quality improvement; not for decisions at the bedside.",
        "lead": " ".join(board.cautions[:2]),
        "blocks": [_block(block) for block in board.paper_blocks if not _leads_on(block)],
    }
    return typeset("report.typ", page, pictures)


def typeset(
    template: str, page: dict[str, Any], pictures: dict[str, str], folder: Path = _TEMPLATES
) -> bytes:
    """Typeset a template with the data of a page and its pictures.

    Parameters
    ----------
    template
        Name of the template in `folder`; it reads ``page.json``.
    page
        Its data, texts as they are.
    pictures
        File name -> SVG.
    folder
        Where the template is.

    Returns
    -------
    bytes
        One PDF: only the fonts that matplotlib carries, no date, the same bytes for the same data.
    """
    import matplotlib as mpl
    import typst

    with tempfile.TemporaryDirectory(prefix="dripledger-") as made_in:
        root = Path(made_in)
        text = json.dumps(page, ensure_ascii=False)
        root.joinpath("page.json").write_text(text, encoding="utf-8", errors="replace")
        for name, svg in pictures.items():
            root.joinpath(name).write_text(svg, encoding="utf-8", errors="replace")
        source = root / template
        source.write_bytes((folder / template).read_bytes())
        made = typst.Compiler(
            str(source),
            root=str(root),
            font_paths=[str(Path(mpl.get_data_path()) / "fonts" / "ttf")],
            ignore_system_fonts=True,
        ).compile(format="pdf", timestamp=0)
    if not isinstance(made, bytes):
        raise TypeError("the typesetter returned no single document")
    return made


def _pictures(blocks: tuple[Block, ...]) -> Iterator[tuple[str, str]]:
    for block in blocks:
        found: list[Picture | None] = []
        if isinstance(block, Cards):
            found = [card.picture for card in block.items]
        elif isinstance(block, Picture):
            found = [block]
        for picture in found:
            if picture is not None:
                yield _file(picture), picture.svg


def _file(picture: Picture) -> str:
    return f"{picture.name.replace('/', '-')}.svg"


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"


def _leads_on(block: Block) -> bool:
    """Whether a paragraph only leads to another page or a command, which paper does not have."""
    if not isinstance(block, Text):
        return False
    return bool(block.command) or (bool(block.href) and block.text.endswith(":"))


def _block(block: Block) -> dict[str, Any]:
    match block:
        case Heading():
            return {"kind": "heading", "text": block.text, "level": block.level}
        case Text():
            told = (
                f"{block.text} {block.more}." if block.href and not block.text.endswith(".") else block.text
            )
            strong = "" if block.strong.endswith(":") and block.href else block.strong
            return {"kind": "text", "strong": strong, "text": told.strip()}
        case Bullets():
            return {"kind": "bullets", "items": list(block.items), "numbered": block.numbered}
        case Pairs():
            return {"kind": "pairs", "items": [[term.text, told] for term, told in block.items]}
        case Table():
            return _table(block)
        case Picture():
            return {"kind": "picture", "file": _file(block), "alt": block.alt, "title": block.title}
        case Cards():
            return {"kind": "cards", "items": [_card(card) for card in block.items]}


def _table(table: Table) -> dict[str, Any]:
    rows = table.rows[: table.on_paper] if table.on_paper else table.rows[:60]
    left = len(table.rows) - len(rows)
    kept = [place for place, column in enumerate(table.columns) if column.on_paper]
    return {
        "kind": "table",
        "columns": [
            {
                "title": table.columns[place].title,
                "number": table.columns[place].number,
                "tight": table.columns[place].tight,
                "weight": _weight(table.columns[place].title, [row[place].text for row in rows]),
            }
            for place in kept
        ],
        "rows": [[_cell(row[place]) for place in kept] for row in rows],
        "caption": table.caption,
        "empty": table.empty,
        "more": f"{left} more lines stand on the pages." if left else "",
    }


def _weight(title: str, texts: list[str]) -> float:
    """Return how much room a column of texts wants beside others: more for long texts and words."""
    typical = sorted(len(text) for text in texts)[len(texts) // 2] if texts else 0
    longest = max((len(word) for text in (title, *texts) for word in text.split()), default=0)
    return min(longest, 12) / 2 + 1.4 * math.sqrt(min(typical, 60))


def _cell(cell: Cell) -> list[str]:
    if cell.counts is None:
        return [_short(cell.text), _short(cell.note)]
    # a column of paper holds the interval and the counts; what else there is to say stands on the page
    counts = " of ".join(one.text for one in cell.counts)
    return [_short(cell.text), "\n".join(line for line in (cell.beside, counts) if line)]


def _card(card: Card) -> dict[str, Any]:
    counts = f"{card.counts.text} {card.joined} {card.whole.text} {card.base}" if card.counts.text else ""
    return {
        "title": card.title,
        "value": card.value,
        "interval": card.interval,
        "counts": counts,
        "words": [_short(word) for word in card.words],
        "note": _short(card.note),
        "signal": card.signal,
        "file": _file(card.picture) if card.picture else "",
        "alt": card.picture.alt if card.picture else "",
    }
