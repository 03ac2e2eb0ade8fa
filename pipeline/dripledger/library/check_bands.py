"""Rows of one entry that hold at once, or leave a weight or a concentration without a limit."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence

from dripledger.library.findings import Finding, at
from dripledger.library.rows import LimitRow

_Place = tuple[object, ...]


def band_findings(rows: Sequence[LimitRow]) -> Iterator[Finding]:
    """Yield what is wrong with bands of weights, and with rows for one concentration or for every one."""
    for same in _grouped(rows, lambda row: (*_entry(row), row.strength, row.limited_quantity)):
        yield from _weights(same)
    for same in _grouped(rows, lambda row: (*_entry(row), row.limited_quantity)):
        yield from _every_and_one(same)
    for same in _grouped(rows, _entry):
        yield from _siblings(same)


def _entry(row: LimitRow) -> _Place:
    return row.care_area, row.entry


def _grouped(rows: Iterable[LimitRow], key: Callable[[LimitRow], _Place]) -> Iterator[list[LimitRow]]:
    groups: dict[_Place, list[LimitRow]] = defaultdict(list)
    for row in rows:
        groups[key(row)].append(row)
    yield from groups.values()


def _ends(row: LimitRow) -> tuple[float, float]:
    return row.weight_min_kg or 0.0, math.inf if row.weight_max_kg is None else row.weight_max_kg


def _weights(rows: Sequence[LimitRow]) -> Iterator[Finding]:
    """Bands of weights that touch or overlap, and weights for which there is no row."""
    ordered = sorted(rows, key=lambda row: (*_ends(row), row.number))
    first = ordered[0]
    if _ends(first)[0] > 0:
        yield at(
            first, "warning", "weights_without_a_row", f"no row is for weights under {_ends(first)[0]:g} kg"
        )
    widest = first
    for row in ordered[1:]:
        (begin, end), (other, reach) = _ends(row), _ends(widest)
        if (begin, end) != (other, reach):  # the same band twice is told as a duplicate
            if begin < reach:
                text = f"its weights overlap with those of {widest.file}, row {widest.number}"
                yield at(row, "error", "weights_overlap", text)
            elif begin == reach:
                text = f"{begin:g} kg is in the band of {widest.file}, row {widest.number} too: "
                yield at(row, "note", "weights_touch", text + "this one, the upper, has it")
            else:
                text = f"no row is for weights from {reach:g} to {begin:g} kg"
                yield at(row, "warning", "weights_leave_a_gap", text)
        if end > reach:
            widest = row
    heaviest = _ends(widest)[1]
    if heaviest < math.inf:
        text = f"no row is for weights over {heaviest:g} kg"
        yield at(widest, "warning", "weights_without_a_row", text)


def _every_and_one(rows: Sequence[LimitRow]) -> Iterator[Finding]:
    """Rows for one concentration beside a row that holds for every one, at a weight that both hold for."""
    for every in (row for row in rows if row.strength is None):
        for one in (row for row in rows if row.strength is not None):
            if max(_ends(one)[0], _ends(every)[0]) < min(_ends(one)[1], _ends(every)[1]):
                yield at(
                    one,
                    "error",
                    "concentrations_overlap",
                    f"{one.concentration} falls under {every.file}, row {every.number} too, which is for "
                    "every concentration",
                )


def _siblings(rows: Sequence[LimitRow]) -> Iterator[Finding]:
    """Concentrations of one entry that are limited on different quantities, or measure different things."""
    strengths: dict[tuple[str, float], LimitRow] = {}
    limited: dict[str, dict[object, LimitRow]] = defaultdict(dict)
    for row in rows:
        if row.strength is not None:
            strengths.setdefault(row.strength, row)
        if row.limits:
            limited[row.limited_quantity].setdefault(row.strength, row)
    first = next(iter(strengths.values()), None)
    for strength, row in strengths.items():
        if first is not None and first.strength is not None and strength[0] != first.strength[0]:
            yield at(
                row,
                "warning",
                "concentrations_of_two_kinds",
                f"{row.concentration} and {first.concentration} ({first.file}, row {first.number}) measure "
                "different things",
            )
        for quantity, told in limited.items():
            if strength not in told and None not in told:
                other = next(iter(told.values()))
                yield at(
                    row,
                    "warning",
                    "concentration_without_a_row",
                    f"{row.concentration} has no limit on {quantity}, and {other.concentration} has "
                    f"({other.file}, row {other.number})",
                )
