"""Records of the invented log, damaged at random from a seed: hostile values, changed bytes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from tests.faults.hostile import CODES, COUNTS, NUMBERS, TEXTS, TIMES
from tests.functional.written_logs import BY_NAME, ROWS, WIDTHS, Form

#: Shapes whose files are cut into lines, so that a damaged byte cannot reach beyond its record.
LINES: Final = ("comma", "semicolon", "tab", "bar", "json_lines", "fixed_width")
#: Shapes that are read as a document.
DOCUMENTS: Final = ("json_array", "xml_children", "xml_attributes")
#: What takes the place of a byte: nothing that is no text, for such a file is refused whole.
_BYTES: Final = b"\",;|\t \\{}[]<>&:=-+.0123456789eExX\x1b\x7f#/'\r"
_POOL: Final = {1: TIMES, 2: COUNTS, 6: NUMBERS, 7: NUMBERS}

Row = tuple[str, ...]


def rows(rng: np.random.Generator, count: int, numbered: int) -> list[Row]:
    """Return records of which about half are as they should be, and the others hold something hostile."""
    made = []
    picks = rng.integers(0, 1 << 30, (count, 4))
    for place in range(count):
        a, b, c, d = (int(v) for v in picks[place])
        second = (numbered + place) * 7
        row = list(ROWS[a % len(ROWS)])
        row[0] = f"P-{c % 50}"
        row[1] = (
            f"2026-10-{1 + second // 86400 % 28:02d} {second // 3600 % 24:02d}:{second // 60 % 60:02d}:00"
        )
        row[2] = str(numbered + place)
        for _ in range(b % 3):
            column = d % len(row)
            pool = _POOL.get(column, TEXTS)
            row[column] = pool[c % len(pool)]
            c, d = c // 7, d // 11
        made.append(tuple(row))
    return made


def plain(row: Row) -> Row:
    """Return a row without line ends, as wide as its places are."""
    return tuple(v[:w].replace("\n", " ").replace("\r", " ") for v, w in zip(row, WIDTHS, strict=True))


def damaged(rng: np.random.Generator, data: bytes, count: int, skip: int) -> bytes:
    """Change, take out or double so many bytes; line feeds and what is not ASCII stay."""
    found = bytearray(data)
    for place, what in zip(
        np.sort(rng.integers(skip, len(found), count))[::-1], rng.integers(0, 1 << 20, count), strict=True
    ):
        if found[place] >= 0x80 or found[place] == 0x0A:
            continue
        if what % 5 == 0:
            del found[place]
        elif what % 5 == 1:
            found[place:place] = found[place : place + 1]
        else:
            found[place] = _BYTES[what % len(_BYTES)]
    return bytes(found)


def files(seed: int, records: int) -> Iterator[tuple[Form, bytes, int]]:
    """Yield files of every shape with so many mutated records in all: (form, bytes, records)."""
    rng = np.random.Generator(np.random.PCG64(seed))
    names = [*LINES, *DOCUMENTS]
    share = records // len(names)
    numbered = 1
    for place, name in enumerate(names):
        count = records - share * (len(names) - 1) if place == 0 else share
        log = rows(rng, count, numbered)
        numbered += count
        form = BY_NAME[name]
        if form.shape == "fixed_width":
            log = [plain(row) for row in log]
        data = form.write(tuple(log))
        if name in LINES:
            header = data.index(b"\n") + 1 if form.shape == "delimited" else 0
            data = damaged(rng, data, count // 4, header)
        yield form, data, count


__all__ = ["CODES", "DOCUMENTS", "LINES", "files"]
