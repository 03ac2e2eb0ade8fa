"""Hours and minutes in the form for sharing: few infusions behind one are as telling as few starts.

What is worked out from shown amounts is looked for as an amount of a care area; as what the areas that a
measure hides have together, which its total tells; and as either of these less what another measure shows of
the same areas, for the hours of all are mostly the same. What three measures that hide different areas tell
together is not looked for.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import combinations, product
from typing import Any, Final

from dripledger.reports.hours_behind import AMOUNTS, STOPPED, HoursBehind
from dripledger.reports.near import in_most
from dripledger.statistics import SMALL_MOST

Row = dict[str, Any]
Cells = set[tuple[str, str]]

#: Amounts of running hours, of which one can be taken from another.
_RUNNING: Final = {name: tuple(a for a in own if a != STOPPED) for name, own in AMOUNTS.items()}


def hide_hours(
    behind: HoursBehind | None, rows: Mapping[tuple[str, str], Row], hidden: Collection[tuple[str, str]]
) -> Cells:
    """Return what to hide of measures in hours, so that none tells the hours of 1 to 4 infusions.

    Parameters
    ----------
    behind
        What the month's infusions have; None: nobody knows, and every such row is hidden.
    rows
        The month's rows by measure and care area; '' is the facility.
    hidden
        What is hidden for other reasons, and protected already where it is a small count.

    Returns
    -------
    set
        Measures and care areas, those of `hidden` among them that are of measures in hours.
    """
    measures = [name for name in AMOUNTS if (name, "") in rows]
    places = {place for name, place in rows if name in measures}
    if behind is None:
        return {(name, place) for name, place in rows if name in measures}
    told = _Told(behind, measures)
    for name in measures:
        told.gone[name] |= {place for measure, place in hidden if measure == name}
        # an area without a row is in the total all the same
        told.gone[name] |= {area for area in behind.areas if (name, area) not in rows}
    for area in sorted(places - {""}):
        told.hide_in(area)
    for name in measures:
        told.protect(name)
    return {(name, place) for name, gone in told.gone.items() for place in gone if (name, place) in rows}


def _is_few(infusions: int) -> bool:
    return 1 <= infusions <= SMALL_MOST


class _Told:
    """What the measures in hours of one month tell, while more and more of them is hidden."""

    def __init__(self, behind: HoursBehind, measures: Sequence[str]) -> None:
        self.behind, self.measures = behind, measures
        self.gone: dict[str, set[str]] = {name: set() for name in measures}

    def hide_in(self, area: str) -> None:
        """Hide in one care area what few stand behind, and of two measures that differ by few one."""
        for name in self.measures:
            if any(_is_few(self.behind.count(amount, [area])) for amount in AMOUNTS[name]):
                self.gone[name].add(area)
        while pairs := [
            (one, two)
            for one, two in combinations([n for n in self.measures if area not in self.gone[n]], 2)
            if any(
                _is_few(self.behind.count(amount, [area], less))
                for amount, less in product(_RUNNING[one], _RUNNING[two])
            )
        ]:
            self.gone[in_most(pairs, self.measures)].add(area)

    def protect(self, name: str) -> None:
        """Hide more of a measure where its total gives back what it hides: further care areas, or the total.

        The smallest areas go first; where another measure would give them back, from that one as well.
        """
        if self._holds(name):
            return
        left = [area for area in self.behind.areas if area not in self.gone[name] and self._size(name, area)]
        left.sort(key=lambda area: (self._size(name, area), area))
        several = [left[:size] for size in range(2, len(left) + 1)]
        for some in ([[area] for area in left], several):
            for concerned in ([name], [other for other in self.measures if self.gone[other] - {""}]):
                for more in some:
                    if self._tried(concerned, more, name):
                        return
        self.gone[name].add("")

    def _size(self, name: str, area: str) -> int:
        return max(self.behind.count(amount, [area]) for amount in AMOUNTS[name])

    def _tried(self, concerned: Iterable[str], more: Iterable[str], name: str) -> bool:
        """Hide more, and take it back if that does not do."""
        before = {one: set(gone) for one, gone in self.gone.items()}
        for one in concerned:
            self.gone[one] |= {area for area in more if self._size(one, area)}
        if self._holds(name):
            return True
        self.gone = before
        return False

    def _holds(self, name: str) -> bool:
        """Return whether what the hidden areas of a measure have together tells of no few infusions."""
        block = self.gone[name]
        if not block or "" in block:
            return True
        if any(_is_few(self.behind.count(amount, block)) for amount in AMOUNTS[name]):
            return False
        return not any(
            self._is_few_of(choices) for amount in _RUNNING[name] for choices in self._combined(name, amount)
        )

    def _combined(self, name: str, amount: int) -> Iterator[list[set[frozenset[int]]]]:
        """Give each way to take from the hidden areas what other measures tell: for each area, what is left.

        Of an area there is the amount, or less what another measure shows of it; or the hidden areas of
        another one are taken away together.
        """
        block = self.gone[name]
        yield [self._left(name, amount, area) for area in block]
        for other in self.measures:
            theirs = self.gone[other]
            if other == name or not theirs or "" in theirs:
                continue
            for less in _RUNNING[other]:
                both = [{self.behind.lines(amount, area, less)} for area in block & theirs]
                ours = [self._left(name, amount, area) for area in block - theirs]
                yield [*both, *ours, *(self._left(other, less, area) for area in theirs - block)]

    def _left(self, name: str, amount: int, area: str) -> set[frozenset[int]]:
        shown = (one for one in self.measures if one != name and area not in self.gone[one])
        return {
            self.behind.lines(amount, area),
            *(self.behind.lines(amount, area, less) for one in shown for less in _RUNNING[one]),
        }

    def _is_few_of(self, choices: Iterable[set[frozenset[int]]]) -> bool:
        """Return whether few infusions stand behind one of each, chosen in some way; more never get fewer."""
        found: set[frozenset[int]] = {frozenset()}
        for several in choices:
            made = {one | two for one in found for two in several}
            found = {lines for lines in made if self.behind.infusions(lines) <= SMALL_MOST}
        return any(found)
