"""Evidence from several columns at once: running numbers inside a group, which value a unit belongs to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise, repeat

from dripledger.drafting.profile import Profile, unit_role
from dripledger.schema.units import normalise_unit

#: Concepts that tie a unit to its value.
_MEASURED = ("rate", "dose", "concentration", "weight", "volume", "duration", "limit", "entered", "bolus")


@dataclass(frozen=True)
class Running:
    """How a column of whole numbers runs on.

    Parameters
    ----------
    within
        The column inside whose values it runs; None: over the file as a whole.
    share
        Share of steps that are one.
    """

    within: str | None
    share: float


def running(columns: Mapping[str, Profile]) -> dict[str, Running]:
    """Return how the columns of whole numbers run on, those that do."""
    found: dict[str, Running] = {}
    groups = [
        p for p in columns.values() if 1 < len(p.counts) <= max(2, len(p.texts) // 3) and p.time is None
    ]
    for p in columns.values():
        if p.whole < 0.95 or p.time is not None or len(p.counts) < 0.02 * len(p.texts) or len(p.texts) < 5:
            continue
        numbers = [int(v) if v is not None and v.isdigit() else None for v in p.values]
        if len({v for v in numbers if v is not None}) < 3:
            continue
        best = Running(None, _steps(numbers, [None] * len(numbers)))
        for group in groups[:30]:
            if group.name == p.name:
                continue
            share = _steps(numbers, group.values)
            # a file of one pump runs by itself; else the coarsest group that explains the number
            better = best.share + (0.02 if best.within is None else 0.1)
            if share > better or (
                best.within is not None
                and share >= best.share - 0.02
                and len(group.counts) < len(columns[best.within].counts)
            ):
                best = Running(group.name, share)
        if best.share >= 0.5:
            found[p.name] = best
    return found


def _steps(numbers: list[int | None], groups: list[str | None]) -> float:
    """Return the share of steps of one between neighbours of a group, sorted as they come."""
    by_group: dict[str | None, list[int]] = {}
    for number, group in zip(numbers, groups, strict=True):
        if number is not None:
            by_group.setdefault(group, []).append(number)
    ones = total = 0
    for run in by_group.values():
        for before, after in pairwise(run):
            total += 1
            ones += after - before == 1
    return ones / total if total else 0.0


def gapless(profile: Profile, *groups: Profile) -> bool:
    """Whether the numbers of a sample have no hole, those of each value of the groups taken for themselves.

    A number that is not higher than the one before it repeats it or begins anew; neither is a hole. Nor is
    one that only stands elsewhere in the file, which may have the newest first.
    """
    runs: dict[tuple[str | None, ...], list[int]] = {}
    keys = zip(*(group.values for group in groups), strict=True) if groups else repeat(())
    for value, key in zip(profile.values, keys, strict=False):
        if value and value.isdigit():
            runs.setdefault(key, []).append(int(value))
    return all(_whole(run) or _whole(sorted(run)) for run in runs.values())


def _whole(run: list[int]) -> bool:
    steps = [after - before for before, after in pairwise(run)]
    if sum(step < 0 for step in steps) > sum(step > 0 for step in steps):
        steps = [-step for step in steps]
    return all(step <= 1 for step in steps)


@dataclass(frozen=True)
class UnitOf:
    """The unit of a column of numbers.

    Parameters
    ----------
    role
        What it measures; see `profile.unit_role`.
    column
        The column that holds it; None: the header or the words around say it.
    code
        The unit where it is always the same.
    """

    role: str
    column: str | None
    code: str | None


def units(columns: Mapping[str, Profile]) -> dict[str, UnitOf]:
    """Return the unit of each column of numbers that has one."""
    order = list(columns)
    found: dict[str, UnitOf] = {}
    for p in columns.values():
        if p.header_unit is not None and p.numeric >= 0.8:
            role = unit_role(p.header_unit)
            if role is not None:
                found[p.name] = UnitOf(role, None, p.header_unit)
    for p in columns.values():
        if p.cells:
            code = normalise_unit(next(iter(p.cells))) if len(p.cells) == 1 else None
            found[p.name] = UnitOf(unit_role(p.cells.most_common(1)[0][0]) or "", None, code)
    for p in columns.values():
        # a column that is called a unit is one, though its spellings may be unknown: then its records wait,
        # and nobody takes another unit for granted
        named = p.says("unit") >= 0.85 > p.says("serial") and p.is_short_text
        if p.units < 0.7 and not named:
            continue
        said = max(_MEASURED, key=lambda concept: (p.says(concept), concept == "rate"))
        role = p.unit_shapes.most_common(1)[0][0] if p.unit_shapes else said
        value = _value_of(p, role, columns, order, found)
        if value is not None:
            codes = {normalise_unit(text) for text in p.counts}
            found[value] = UnitOf(role, p.name, codes.pop() if len(codes) == 1 else None)
    return found


def _value_of(
    unit: Profile, role: str, columns: Mapping[str, Profile], order: list[str], taken: Iterable[str]
) -> str | None:
    """Return the column that a column of units belongs to: by its words, else the one before it."""
    best: tuple[float, str] | None = None
    at = order.index(unit.name)
    for p in columns.values():
        if p.numeric < 0.8 or p.name in taken or p.time is not None:
            continue
        common = sum(min(unit.says(c), p.says(c)) for c in _MEASURED)
        apart = at - order.index(p.name)
        near = 0.6 if apart == 1 else 0.2 if apart in (-1, 2) else 0.0
        inside = 0.6 if unit.name.startswith(p.name + "/@") else 0.0
        said = 0.5 * p.says(role) if role in _MEASURED else 0.0
        score = common + near + inside + said
        if score >= 0.55 and (best is None or score > best[0]):
            best = (score, p.name)
    return None if best is None else best[1]
