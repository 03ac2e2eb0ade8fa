"""Counts of two measures that differ by a small number: the difference tells it as well as a row would."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from itertools import combinations
from typing import Any, Final

from dripledger.statistics import SMALL_MOST

Row = dict[str, Any]

#: For each unit, what every count of a measure asks of one: the whole, what is counted, the rest (None: it is
#: not compared). What asks for all that another count does, and more, is a part of it. Being known is not
#: asked for: those of whom a thing is not known are few, and are what a difference gives back.
_ASKS: Final[tuple[dict[str, tuple[str | None, ...]], ...]] = (
    {
        "library_use_starts": ("", "inside", "outside unguarded"),
        "protected_share": ("", "inside guarded", "unguarded"),
        "stale_library_share": ("", "stale", "current"),
    },
    {"soft_alert_share": ("", "soft", "no_soft"), "hard_alert_share": ("", "hard", "no_hard")},
    {
        **{
            f"outcomes_{kind}_{key}": (kind, counted and f"{kind} {counted}", rest and f"{kind}{rest}")
            for kind in ("soft", "hard")
            for key, (counted, rest) in {
                "overridden": ("overridden stayed past", " not_past"),
                "within_limits": ("within_limits stayed not_past", None),
                "left_library": ("left_library left not_past", " stayed"),
                "unchanged": ("unchanged stayed not_past", None),
                "cancelled": ("cancelled stayed not_past", None),
                # the rest are those of whom it is known
                "unknown": (None, " "),
            }.items()
        },
        "override_share": ("soft", "soft overridden stayed past", "soft not_past"),
        "left_library_share": ("", "left", "stayed"),
    },
)


def near(
    shown: Mapping[tuple[str, str], Row], places: Collection[str], stays: Collection[str]
) -> dict[str, set[str]]:
    """Return what to hide because a count beside it, of which it is a part or which is a part of it, is near.

    Parameters
    ----------
    shown
        Rows by measure and place that show their counts, of one month.
    places
        Care areas; '' is the facility.
    stays
        Measures that are not to go: of two of them no difference is taken.

    Returns
    -------
    dict of set of str
        Places by measure. Who is in most such pairs goes first; of two alike the one that stands later.
    """
    found: dict[str, set[str]] = {}
    for place in places:
        for unit in _ASKS:
            told = {measure: _three(shown[measure, place]) for measure in unit if (measure, place) in shown}
            while pairs := [
                (one, two)
                for one, two in combinations(told, 2)
                if not (one in stays and two in stays) and _differ_little(unit, told, one, two)
            ]:
                gone = in_most(pairs, [name for name in told if name not in stays])
                found.setdefault(gone, set()).add(place)
                del told[gone]
    return found


def in_most(pairs: Collection[tuple[str, str]], names: Sequence[str]) -> str:
    """Return who is in most pairs; of two alike the one that stands later."""
    often = {name: sum(name in pair for pair in pairs) for name in names}
    return max(reversed(often), key=lambda name: often[name])


def _three(row: Row) -> tuple[int, int, int]:
    whole, counted = int(row["denominator"]), int(row["numerator"])
    return whole, counted, whole - counted


def _differ_little(
    unit: dict[str, tuple[str | None, ...]], told: dict[str, tuple[int, int, int]], one: str, two: str
) -> bool:
    """Return whether a count of one measure is a part of one of the other, but for a small number."""
    return any(
        1 <= abs(count - other) <= SMALL_MOST
        for asks, count in zip(unit[one], told[one], strict=True)
        for others, other in zip(unit[two], told[two], strict=True)
        if asks is not None and others is not None
        if set(asks.split()) <= set(others.split()) or set(others.split()) <= set(asks.split())
    )
