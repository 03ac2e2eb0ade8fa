"""How many infusions stand behind an amount of hours or minutes, and behind what two amounts differ by."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import Final

import duckdb

#: The relation that says it, of the months that were prepared.
HOURS_BEHIND: Final = "hours_behind"
#: Place of each amount in the lists of that relation.
UNDER_ENTRY, OUTSIDE, OF_KNOWN_USE, BESIDE_ALARMS, BESIDE_LOST, BESIDE_CHANGES, STOPPED = range(7)
#: What stands there for an infusion that has none of an amount.
_NONE: Final = 1

#: Measure -> its amounts of hours or minutes.
AMOUNTS: Final[dict[str, tuple[int, ...]]] = {
    "library_use_hours": (UNDER_ENTRY, OUTSIDE, OF_KNOWN_USE),
    "delivery_alarm_rate": (BESIDE_ALARMS,),
    "delivery_lost": (BESIDE_LOST, STOPPED),
    "user_rate_changes": (BESIDE_CHANGES,),
}

#: What an infusion has: for each care area, numbers that are equal where two of its amounts are.
Alike = Mapping[str, Sequence[int]]


class HoursBehind:
    """What infusions of one month have; those that have alike stand in one line.

    Parameters
    ----------
    lines
        What they have, and how many have it.
    """

    def __init__(self, lines: Iterable[tuple[Alike, int]]) -> None:
        self._lines = tuple(lines)
        self._known: dict[tuple[int, str, int | None], frozenset[int]] = {}

    @property
    def told(self) -> tuple[tuple[Alike, int], ...]:
        """The lines as they were given."""
        return self._lines

    @cached_property
    def areas(self) -> tuple[str, ...]:
        """Care areas in which an infusion ran or stood still."""
        return tuple(sorted({area for have, _ in self._lines for area in have}))

    def lines(self, amount: int, area: str, less: int | None = None) -> frozenset[int]:
        """Return the lines behind an amount of a care area, or behind that amount less another one.

        Parameters
        ----------
        amount
            One of this module's amounts.
        area
            The care area.
        less
            The other amount; None: nothing is taken away.
        """
        key = (amount, area, less)
        if key not in self._known:
            self._known[key] = frozenset(
                n
                for n, (have, _) in enumerate(self._lines)
                if area in have and _differs(have[area], amount, less)
            )
        return self._known[key]

    def infusions(self, lines: Iterable[int]) -> int:
        """Count the infusions of some lines: one that ran in several care areas counts once."""
        return sum(self._lines[n][1] for n in lines)

    def count(self, amount: int, areas: Iterable[str], less: int | None = None) -> int:
        """Count the infusions behind an amount of several care areas, or behind that less another one."""
        return self.infusions(frozenset().union(*(self.lines(amount, area, less) for area in areas)))


def _differs(alike: Sequence[int], amount: int, less: int | None) -> bool:
    return alike[amount] != (_NONE if less is None else alike[less])


def read_hours_behind(con: duckdb.DuckDBPyConnection) -> dict[str, HoursBehind]:
    """Return for each prepared month what its infusions have."""
    found: dict[str, list[tuple[Alike, int]]] = {
        month: [] for (month,) in con.execute("select month from site_months order by month").fetchall()
    }
    for month, areas, alike, infusions in con.execute(
        f"select month, care_areas, alike, infusions from {HOURS_BEHIND} order by all"
    ).fetchall():
        found[month].append((dict(zip(areas, alike, strict=True)), infusions))
    return {month: HoursBehind(lines) for month, lines in found.items()}
