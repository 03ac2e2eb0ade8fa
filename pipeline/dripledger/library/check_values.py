"""Limits that cannot be meant: none at all, zero or less, one that is another, tenfold between areas."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from statistics import median
from typing import Final

from dripledger.library.findings import Finding, at
from dripledger.library.rows import LimitRow, six_digits
from dripledger.schema.units import UNITS, convert

#: From this ratio on, limits of one entry in two areas stand out.
TENFOLD: Final = 10.0
#: Quantities whose limits say nothing of the concentration.
_DOSES: Final = ("dose_rate", "bolus_dose")


def value_findings(rows: Sequence[LimitRow]) -> Iterator[Finding]:
    """Yield what is wrong with the values of limits."""
    yield from _without_limits(rows)
    for row in rows:
        yield from _soft_equals_hard(row)
        yield from _not_above_zero(row)
    yield from _tenfold(rows)


def _without_limits(rows: Iterable[LimitRow]) -> Iterator[Finding]:
    entries: dict[tuple[str, str], list[LimitRow]] = defaultdict(list)
    for row in rows:
        entries[row.care_area, row.entry].append(row)
    for same in entries.values():
        if not any(row.limits for row in same):
            yield at(
                same[0],
                "warning",
                "no_limits",
                "the entry has no limit at all: it names the drug and protects from nothing",
            )


def _soft_equals_hard(row: LimitRow) -> Iterator[Finding]:
    for side in ("low", "high"):
        soft, hard = row.limits.get(f"soft_{side}"), row.limits.get(f"hard_{side}")
        if soft is not None and hard is not None and six_digits(soft) == six_digits(hard):
            yield at(
                row,
                "warning",
                "soft_never_seen",
                f"soft_{side} equals hard_{side} ({hard:g}): the soft limit never warns alone",
            )


def _not_above_zero(row: LimitRow) -> Iterator[Finding]:
    for name, value in row.limits.items():
        # how far a rate may fall is a negative change
        if value < 0 and row.limited_quantity != "rate_change":
            yield at(row, "error", "negative_limit", f"{name} is {value:g}: nothing can be below zero")
        elif value == 0 and name.endswith("high"):
            yield at(row, "error", "zero_limit", f"{name} is 0: whatever is entered is past it")
        elif value == 0:
            yield at(row, "warning", "zero_limit", f"{name} is 0: nothing is below it, and it never warns")
    if (row.weight_min_kg or 0) < 0 or (row.weight_max_kg is not None and row.weight_max_kg <= 0):
        yield at(row, "error", "negative_weight", f"its weights, {row.weights}, are not above zero")


def _tenfold(rows: Iterable[LimitRow]) -> Iterator[Finding]:
    """Find limits of one entry that are tenfold apart or more between two care areas.

    A limit on a dose is held against those at other concentrations too; units of one kind are put together,
    and what is per kilogram is held against nothing that is not.
    """
    limits: dict[tuple[object, ...], list[tuple[float, LimitRow, float]]] = defaultdict(list)
    first_unit: dict[tuple[object, ...], str] = {}
    for row in rows:
        unit = row.limit_unit
        if unit not in UNITS:
            continue
        strength = None if row.limited_quantity in _DOSES else row.strength
        for name, value in row.limits.items():
            key = (row.entry, strength, row.limited_quantity, row.weights, name, UNITS[unit].shape)
            common = convert(value, unit, first_unit.setdefault(key, unit))
            if common is not None and common > 0:
                limits[key].append((common, row, value))
    for place, told in limits.items():
        least = min(told, key=lambda item: (item[0], item[1].care_area))
        most = max(told, key=lambda item: (item[0], item[1].care_area))
        factor = six_digits(most[0] / least[0])
        if factor >= TENFOLD and least[1].care_area != most[1].care_area:
            middle = median(math.log(item[0]) for item in told)
            alone = least if middle - math.log(least[0]) > math.log(most[0]) - middle else most
            other = most if alone is least else least
            hint = " (a slip of the decimal point?)" if abs(factor - 10) <= 0.2 else ""
            yield at(
                alone[1],
                "warning",
                "tenfold_between_areas",
                f"{place[4]} on {place[2]} is {alone[2]:g} {alone[1].limit_unit}, and in "
                f"{other[1].care_area!r} {other[2]:g} {other[1].limit_unit} ({other[1].file}, row "
                f"{other[1].number}): {factor:g} times{hint}",
            )
