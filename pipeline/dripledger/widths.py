"""How wide a text is on a terminal, filled up or cut to a width."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence


def columns_of(text: str) -> int:
    """Return how many columns of a terminal a printable text takes."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text
    )


def padded(text: str, width: int, right: bool) -> str:
    """Fill a text up with spaces to a width, on its left where it is to stand at the right."""
    space = " " * (width - columns_of(text))
    return space + text if right else text + space


def pieces(text: str, room: int) -> Iterator[str]:
    """Cut a text into pieces of at most so many columns (a wide character alone may take two).

    It is cut at spaces, which go, and within a word only where the word is wider than the room.
    """
    piece, used = "", 0
    for character in text:
        size = columns_of(character)
        if piece and used + size > room:
            head, _, word = piece.rpartition(" ")
            if character == " ":
                head, word = piece, ""
            yield head or piece
            piece = word if head else ""
            used = columns_of(piece)
            if character == " ":
                continue
        piece += character
        used += size
    yield piece


def shrunk(widths: Sequence[int], least: Sequence[int], room: int) -> list[int] | None:
    """Take from the widest column again and again until all fit; None where the least of each is too much."""
    told = list(widths)
    while sum(told) > room:
        wide = [i for i, width in enumerate(told) if width > least[i]]
        if not wide:
            return None
        told[max(wide, key=lambda i: told[i])] -= 1
    return told
