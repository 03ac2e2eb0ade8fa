"""Entry names that are easily taken for each other."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator

from dripledger.library.findings import Finding
from dripledger.library.rows import LimitRow

#: Names are alike from this share of equal letters in order (judgement, no source): with it dopamine and
#: dobutamine, and amiodarone and amlodarone, are a pair; morphine and midazolam are none.
_ALIKE = 0.7
#: Shorter names are alike by chance.
_LEAST_LETTERS = 4


def look_alikes(rows: Iterable[LimitRow]) -> Iterator[Finding]:
    """Yield each pair of entry names that look alike, once; graver where both stand in one care area."""
    first: dict[str, LimitRow] = {}
    areas: dict[str, set[str]] = defaultdict(set)
    for row in rows:
        first.setdefault(row.entry, row)
        areas[row.entry].add(row.care_area)
    names = sorted(first)
    plain = {name: re.sub(r"[\W_]+", " ", name.casefold()).strip() for name in names}
    for place, one in enumerate(names):
        for two in names[place + 1 :]:
            why = _alike(plain[one], plain[two])
            if not why:
                continue
            shared = sorted(areas[one] & areas[two])
            where = f"; both stand in {shared[0]!r}" if shared else "; they share no care area"
            row = first[two]
            yield Finding(
                "warning" if shared else "note",
                "look_alike_names",
                row.file,
                row.number,
                shared[0] if shared else "",
                two,
                f"{two!r} and {one!r} {why}{where}",
            )


def _alike(one: str, two: str) -> str:
    if one == two:
        return "differ in capitals, spaces or signs only"
    short, long = sorted((one, two), key=len)
    if len(short) < _LEAST_LETTERS:
        return ""
    if long.startswith(short + " "):
        return "begin alike: one is the whole of the other's beginning"
    if 1 - distance(one, two) / len(long) >= _ALIKE:
        return "look alike"
    return ""


def distance(one: str, two: str) -> int:
    """Return how few letters to add, drop, replace or swap with a neighbour turn one into the other."""
    before: list[int] = []
    last = list(range(len(two) + 1))
    for i, a in enumerate(one, start=1):
        line = [i]
        for j, b in enumerate(two, start=1):
            cost = min(last[j] + 1, line[j - 1] + 1, last[j - 1] + (a != b))
            if i > 1 and j > 1 and a == two[j - 2] and one[i - 2] == b:
                cost = min(cost, before[j - 2] + 1)
            line.append(cost)
        before, last = last, line
    return last[-1]
