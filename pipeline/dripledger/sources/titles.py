"""Lines above the records that are read as titles: whether one of them is a record, by what it is made of."""

from __future__ import annotations

import re
from typing import Final

#: Records that a line is compared with.
_FIRST: Final = 50
#: A line that is made of fewer pieces may be alike by chance: a date, or a count.
_LEAST_PIECES: Final = 6
_PIECES: Final = re.compile(rb"[0-9]+|[A-Za-z\x80-\xff]+|\s+|[^0-9A-Za-z\x80-\xff\s]")


def records_among(above: bytes, below: bytes) -> list[int]:
    """Return which of the lines above the records are made just as one of the first records is.

    Parameters
    ----------
    above
        Title lines, and the header where there is one, as UTF-8.
    below
        The beginning of the records.

    Returns
    -------
    list of int
        Numbers of lines, from 1. Two are made alike where digits, letters, blanks and signs follow one
        another in the same order, whatever their number.
    """
    made = {_made(line) for line in below.split(b"\n", _FIRST)[:_FIRST]}
    made = {one for one in made if len(one) >= _LEAST_PIECES and b"9" in one}
    return [number for number, line in enumerate(above.split(b"\n"), start=1) if _made(line) in made]


def _made(line: bytes) -> bytes:
    return b"".join(map(_piece, _PIECES.findall(line.rstrip())))


def _piece(text: bytes) -> bytes:
    if text[:1].isdigit():
        return b"9"
    if text[:1].isspace():
        return b" "
    return b"a" if text[:1].isalpha() or text[0] >= 0x80 else text


def told(numbers: list[int], section: str, lines: int) -> str:
    """Say which lines were passed over that look like records."""
    one = len(numbers) == 1
    return (
        f"{'line' if one else 'lines'} {', '.join(map(str, numbers))} {'looks' if one else 'look'} like "
        f"{'a record' if one else 'records'} and {'was' if one else 'were'} passed over as "
        f"{'a title or header' if one else 'titles or header'}: is {section}.title_lines = {lines} right?"
    )
