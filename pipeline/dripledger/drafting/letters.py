"""Columns of limits that hold one letter: proposed only where other columns bear out what it means."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from itertools import permutations
from typing import Final

from dripledger.drafting.labels import kind_of
from dripledger.drafting.profile import Profile

#: Pairs of first letters of the words for soft and hard, in English, German, French and Spanish (common
#: practice, no source). A letter alone says nothing: H is hard, high or the French haut.
_KINDS: Final = (
    {"s": "soft", "h": "hard"},
    {"w": "soft", "h": "hard"},
    {"s": "soft", "d": "hard"},
    {"b": "soft", "d": "hard"},
)
#: The same of high and low, or upper and lower.
_SIDES: Final = (
    {"h": "high", "l": "low"},
    {"u": "high", "l": "low"},
    {"o": "high", "u": "low"},
    {"h": "high", "b": "low"},
    {"a": "high", "b": "low"},
)
#: A column of limits has a value in so many of the records that warn of one.
_MOST: Final = 0.8
#: So many warnings with either letter are the least that bear anything out.
_LEAST: Final = 2
_ORDER: Final = ("soft", "hard", "high", "low")
_WHERE: Final = "they stand where a limit warned and nowhere else"


@dataclass(frozen=True)
class Letters:
    """One column of letters.

    Parameters
    ----------
    target
        The canonical column.
    column
        The raw field.
    codes
        Letter as logged -> code.
    why
        What bears it out.
    """

    target: str
    column: str
    codes: Mapping[str, str]
    why: str


def find_letters(
    columns: Mapping[str, Profile], taken: Collection[str], kinds: Profile | None
) -> Iterator[Letters]:
    """Yield what columns of one letter say of limits, where something else in the log says so too.

    Parameters
    ----------
    columns
        The columns that are not about people.
    taken
        Those of them that were found to be something.
    kinds
        The column of kinds; without it nothing tells which records warn of a limit.
    """
    if kinds is None:
        return
    told = [None if label is None else kind_of(label) for label in kinds.values]
    alerts = [at for at, kind in enumerate(told) if kind == "limit_alerted"]
    overrides = [at for at, kind in enumerate(told) if kind == "limit_overridden"]
    for p in columns.values():
        if p.name in taken or max(p.says("priority"), p.says("channel"), p.says("version")) > 0.6:
            continue
        if not _of_limits(p, told, alerts):
            continue
        kind, side = _pair(p, alerts, _KINDS), _pair(p, alerts, _SIDES)
        # a hard limit cannot be confirmed past
        if kind is not None and overrides:
            passed = {kind[text] for at in overrides if (text := p.values[at]) is not None}
            if passed == {"soft"}:
                why = f"{_WHERE}, and no override stands at a hard one"
                yield Letters("limit_kind", p.name, kind, f"{_read(kind)}: {why}")
        if side is not None and (numbers := _numbers(columns, p, side, alerts)) is not None:
            entered, limit = numbers
            why = f"{_WHERE}, and {entered!r} is above {limit!r} at the one and below it at the other"
            yield Letters("limit_side", p.name, side, f"{_read(side)}: {why}")


def _read(codes: Mapping[str, str]) -> str:
    letters = {code: letter for letter, code in codes.items()}
    return ", ".join(f"{letters[code]} would be {code}" for code in _ORDER if code in letters)


def _of_limits(p: Profile, told: list[str | None], alerts: list[int]) -> bool:
    """Whether a column is filled where a limit warned, and nowhere else."""
    filled = [at for at, value in enumerate(p.values) if value is not None]
    if not alerts or not filled or sum(p.values[at] is not None for at in alerts) < _MOST * len(alerts):
        return False
    return all(told[at] in ("limit_alerted", "limit_overridden") for at in filled)


def _pair(p: Profile, alerts: list[int], pairs: tuple[dict[str, str], ...]) -> dict[str, str] | None:
    """Return the codes of a column's two letters; None: they are not two that belong together."""
    seen = [value for at in alerts if (value := p.values[at]) is not None]
    if len(p.counts) != 2 or min(seen.count(letter) for letter in p.counts) < _LEAST:
        return None
    for pair in pairs:
        if {letter.lower() for letter in p.counts} == set(pair):
            return {letter: pair[letter.lower()] for letter in p.counts}
    return None


def _numbers(
    columns: Mapping[str, Profile], p: Profile, side: dict[str, str], alerts: list[int]
) -> tuple[str, str] | None:
    """Return two columns of numbers of which the first is past the second on the side that is told."""
    numeric = [c for c in columns.values() if c.numeric >= 0.8 and c.time is None and c.name != p.name]
    read = {c.name: [_number(c.values[at]) for at in alerts] for c in numeric}
    letters = [p.values[at] for at in alerts]
    limits = {c.name for c in numeric if c.says("limit") > c.says("entered")}
    entries = {c.name for c in numeric if c.says("entered") > c.says("limit")}
    fits = []
    for entered, limit in permutations(read, 2):
        if entered in limits or limit in entries or not (entered in entries or limit in limits):
            # where no header tells which is the limit, one of the two always is above the other
            continue
        both = [
            (letter, a, b)
            for letter, a, b in zip(letters, read[entered], read[limit], strict=True)
            if letter is not None and a is not None and b is not None
        ]
        counts = [sum(letter == one for letter, _, _ in both) for one in side]
        if min(counts) < _LEAST or len(both) < _MOST * len(alerts):
            continue
        if all((a > b) if side[letter] == "high" else (a < b) for letter, a, b in both):
            fits.append((entered, limit))
    # of several pairs some fit by chance
    return fits[0] if len(fits) == 1 else None


def _number(text: str | None) -> float | None:
    try:
        return None if text is None else float(text.replace(" ", "").replace(",", "."))
    except ValueError:
        return None
