"""What differs by a small number in the form for sharing: whoever calculates with all that it shows.

Months are drawn as numbers of each possible kind of start, attempt and programming in each care area. The
reader knows the definitions of the measures, and so which kinds each count is made of; he adds and subtracts
whatever is shown, in any number of steps. No count, and no difference between a count and a part of it, that
he gets may be small.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import product
from typing import Any, NamedTuple

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from dripledger.measures import ROWS, Amount
from dripledger.reports.near import _ASKS
from dripledger.reports.share import _OPEN, SHARED, hide_small

AREAS = ("icu", "ward", "theatre")
#: In no row of its own, and in the total.
ELSEWHERE = "elsewhere"
OUTCOMES = ("overridden", "within_limits", "left_library", "unchanged", "cancelled", "unknown")


class Count(NamedTuple):
    """The kinds in a numerator and in a denominator."""

    counted: frozenset[tuple[str, ...]]
    whole: frozenset[tuple[str, ...]]


def made_of(
    kinds: Iterable[tuple[str, ...]],
    whole: Callable[[tuple[str, ...]], bool],
    counted: Callable[[tuple[str, ...]], bool],
) -> Count:
    base = frozenset(kind for kind in kinds if whole(kind))
    return Count(frozenset(kind for kind in base if counted(kind)), base)


#: Library use (with a hard high limit, without, of no file), version of the library.
STARTS = tuple(
    product(
        ("guarded", "unguarded", "inside without file", "outside", "outside without file", "unknown"),
        ("current", "stale", "unknown"),
    )
)
#: Limits that were met, outcome.
ATTEMPTS = tuple(product(("soft", "hard", "both"), OUTCOMES))
PROGRAMMINGS = tuple(product(("none", "soft", "hard", "both")))


def measures_of(kinds: Iterable[tuple[str, ...]]) -> dict[str, Count]:
    """Return what the measures of one unit count, by their definitions, of the kinds that there are."""
    kinds = tuple(kinds)
    if kinds[0] in STARTS:
        inside = ("guarded", "unguarded", "inside without file")
        return {
            "library_use_starts": made_of(kinds, lambda k: k[0] != "unknown", lambda k: k[0] in inside),
            "protected_share": made_of(
                kinds, lambda k: k[0] in ("guarded", "unguarded", "outside"), lambda k: k[0] == "guarded"
            ),
            "stale_library_share": made_of(kinds, lambda k: k[1] != "unknown", lambda k: k[1] == "stale"),
        }
    if kinds[0] in ATTEMPTS:
        found = {
            "override_share": made_of(
                kinds, lambda k: k[0] != "hard" and k[1] != "unknown", lambda k: k[1] == "overridden"
            ),
            "left_library_share": made_of(
                kinds, lambda k: k[1] != "unknown", lambda k: k[1] == "left_library"
            ),
        }
        for limit, key in product(("soft", "hard"), OUTCOMES):
            found[f"outcomes_{limit}_{key}"] = made_of(
                kinds, lambda k, limit=limit: k[0] in (limit, "both"), lambda k, key=key: k[1] == key
            )
        return found
    return {
        f"{limit}_alert_share": made_of(kinds, lambda k: True, lambda k, limit=limit: k[0] in (limit, "both"))
        for limit in ("soft", "hard")
    }


def row(measure: str, area: str, counted: int, whole: int) -> dict[str, Any]:
    return {
        "measure": measure, "month": "2026-10", "care_area": area, "numerator": counted, "denominator": whole,
        "value": counted / whole if whole else None, "low95": 0.0, "high95": 1.0,
        "status": "ok" if whole else "no_data", "reason": "",
    }  # fmt: skip


Month = dict[tuple[str, ...], dict[str, int]]


def summed(month: Month, kinds: Iterable[tuple[str, ...]], places: Iterable[str]) -> int:
    return sum(month[kind][place] for kind in kinds for place in places)


def told_apart(month: Month) -> list[str]:
    """Share a month, and return every small number that follows from what is shown, in words."""
    measures = measures_of(month)
    every = (*AREAS, ELSEWHERE)
    reach = {**{area: (area,) for area in AREAS}, "": every}
    given = {
        (name, place): row(
            name, place, summed(month, count.counted, where), summed(month, count.whole, where)
        )
        for name, count in measures.items()
        for place, where in reach.items()
    }
    by_area, whole = hide_small(
        [r for (_, place), r in given.items() if place],
        [r for (_, place), r in given.items() if not place],
        {},
    )
    shown = [r for r in (*by_area, *whole) if r["status"] != "hidden"]
    cells = {cell: place for place, cell in enumerate(product(every, month))}

    def vector(kinds: Iterable[tuple[str, ...]], place: str) -> np.ndarray:
        found = np.zeros(len(cells))
        for where, kind in product(reach[place], kinds):
            found[cells[where, kind]] = 1
        return found

    known = [
        vector(kinds, r["care_area"])
        for r in shown
        for kinds in (measures[r["measure"]].counted, measures[r["measure"]].whole)
    ]
    # what is worked out from the known is a sum of multiples of it: it lies in the space that they span
    _, sizes, base = np.linalg.svd(np.array(known or [np.zeros(len(cells))]), full_matrices=False)
    base = base[: int((sizes > 1e-9).sum())]
    sets = {
        (name, part): kinds
        for name, count in measures.items()
        for part, kinds in (
            ("counted", count.counted), ("whole", count.whole), ("rest", count.whole - count.counted)
        )
    }  # fmt: skip
    # what becomes of attempts is one table: of sums of its cells only those that are shown are looked at
    asked = {
        f"{part} of {name}": kinds
        for (name, part), kinds in sets.items()
        if part != "rest" or not name.startswith("outcomes")
    }
    for ((one, part), more), ((two, other), fewer) in product(sets.items(), sets.items()):
        if fewer < more and not (one.startswith("outcomes") and two.startswith("outcomes")):
            asked[f"{part} of {one} less {other} of {two}"] = more - fewer
    found = []
    for words, kinds in asked.items():
        for place, where in reach.items():
            size = summed(month, kinds, where)
            if 1 <= size <= 4:
                wanted = vector(kinds, place)
                if np.abs(wanted - wanted @ base.T @ base).max() < 1e-6:
                    found.append(f"{words} in {place or 'all'}: {size}")
    for one, two in product(shown, shown):
        if one["care_area"] == two["care_area"]:
            for part, other in product(("counted", "whole", "rest"), repeat=2):
                more, fewer = sets[one["measure"], part], sets[two["measure"], other]
                size = summed(month, more - fewer, reach[one["care_area"]])
                if fewer < more and 1 <= size <= 4:
                    found.append(f"{part} of {one['measure']} less {other} of {two['measure']}: {size}")
    return found


def months(*attributes: tuple[tuple[str, ...], tuple[str, ...]]) -> st.SearchStrategy[Month]:
    """Draw how many there are of each kind in each place.

    Of each attribute some values always can be, and others in some hospitals only: the reader may know which.
    """
    numbers = st.fixed_dictionaries(
        {place: st.sampled_from((0, 0, 0, 0, 1, 2, 4, 5, 9, 30, 70)) for place in (*AREAS, ELSEWHERE)}
    )
    worlds = st.tuples(
        *(
            st.sets(st.sampled_from(perhaps or always)).map(
                lambda more, always=always: tuple(dict.fromkeys((*always, *sorted(more))))
            )
            for always, perhaps in attributes
        )
    )
    return worlds.flatmap(lambda of: st.fixed_dictionaries(dict.fromkeys(product(*of), numbers)))


@settings(max_examples=80, deadline=None)
@given(
    months(
        (("guarded", "unguarded", "outside"), ("inside without file", "outside without file", "unknown")),
        (("current", "stale"), ("unknown",)),
    )
)
def test_no_small_number_of_starts_follows_from_what_is_shown(month: Month) -> None:
    assert told_apart(month) == []


@settings(max_examples=50, deadline=None)
@given(months((("soft", "hard", "both"), ()), (OUTCOMES[:4], OUTCOMES[4:])))
def test_no_small_number_of_attempts_follows_from_what_is_shown(month: Month) -> None:
    assert told_apart(month) == []


@settings(max_examples=50, deadline=None)
@given(months((("none", "soft", "hard", "both"), ())))
def test_no_small_number_of_programmings_follows_from_what_is_shown(month: Month) -> None:
    assert told_apart(month) == []


def test_every_shared_measure_that_is_a_share_of_counts_is_compared() -> None:
    counts = {
        name
        for name in SHARED
        if name not in _OPEN and ROWS[name][0].counted is ROWS[name][0].over is Amount.COUNT
    }
    assert counts == {name for unit in _ASKS for name in unit if name in SHARED}
