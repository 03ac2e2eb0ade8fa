"""What a report recalls of settled months, and what it keeps of those that it works out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import duckdb

from dripledger.measures import (
    MEASURES,
    Facts,
    Groups,
    Month,
    Settled,
    find_settled,
    relations_of,
    tabulate,
)
from dripledger.reports.behind import BY_ENTRY
from dripledger.reports.case_list import read_case_tables
from dripledger.reports.hours_behind import HOURS_BEHIND, HoursBehind
from dripledger.reports.remembered import Memory, MonthRows, Row, pack, without_unasked
from dripledger.reports.together import CHARTED, STANDARDISED, TIED
from dripledger.site import Site
from dripledger.store import Snapshot

#: Months of which a report shows every measure: its own, and the one before it to compare with.
NEAR: Final = 2
#: What cases are read from.
OF_CASES: Final = ("limit_attempts", "rate_changes", "stopped_stretches")
#: What pages show of all their months.
_SHOWN: Final[tuple[tuple[str, Groups], ...]] = (
    *((name, groups) for name in CHARTED for groups in (("care_area",), ())),
    *((name, ("entry",)) for name in BY_ENTRY),
    *((name, ("care_area", "entry")) for name in STANDARDISED),
)


class Past:
    """The months of a report, and what is remembered of them.

    Parameters
    ----------
    con
        Connection in which the store's tables stand; some relations of measures are left standing in it.
    site
        The site.
    months
        Months in order, without a hole; the last is the report's own.
    snapshot
        The store version that the tables are of; None: nothing is remembered.
    share
        Whether it is for the form for sharing, which has no entries and hides what is small.
    """

    def __init__(
        self,
        con: duckdb.DuckDBPyConnection,
        site: Site,
        months: Sequence[Month],
        *,
        snapshot: Snapshot | None = None,
        share: bool = False,
    ) -> None:
        self.share = share
        self.charted = (*CHARTED, *TIED) if share else CHARTED
        self.relations = {
            *relations_of((*self.charted, *BY_ENTRY)), *((HOURS_BEHIND,) if share else OF_CASES),
        }  # fmt: skip
        # of a store that has begun just now nothing can be recalled
        none = not months or (snapshot is not None and len(months) <= NEAR)
        settled = Settled((), {}) if none else find_settled(con, site, snapshot, months, self.relations)
        self.together = settled.together
        self._keys = settled.keys
        self._memory = Memory(site.reports, "shared" if share else "internal")
        self._recalled: dict[Month, MonthRows] = {}

    def rows(self, months: Sequence[Month], *, shown: bool = False) -> dict[Month, MonthRows]:
        """Return what is remembered of some months; of a month that is shown, with facts and cases."""
        told = ((month, self._keys[month]) for month in months if month in self._keys)
        found = {month: self._memory.recall(str(month), key, shown=shown) for month, key in told}
        return {month: rows for month, rows in found.items() if rows is not None}

    def recall(self, shown: Sequence[Month]) -> dict[Month, MonthRows]:
        """Return what is remembered of months that are shown; the others are to be worked out."""
        if self._are_apart(shown):
            known = self.rows(shown[:-NEAR], shown=True)
            self._recalled = {month: rows for month, rows in known.items() if rows.facts is not None}
        return self._recalled

    def _are_apart(self, shown: Sequence[Month]) -> bool:
        """Say whether each month can be worked out by itself.

        Where several sources tell of a pump in one of them, what they say counts in those beside it as well.
        The form for sharing works out all that it shows.
        """
        return not self.share and {*self.together}.isdisjoint(shown)

    def make(
        self,
        con: duckdb.DuckDBPyConnection,
        site: Site,
        month: Month,
        facts: Facts,
        behind: Mapping[str, HoursBehind] | None = None,
    ) -> MonthRows:
        """Return the rows of a month that was prepared, as if it stood alone: another one adds no area."""

        def rows(groups: Groups, measures: Sequence[str]) -> tuple[Row, ...]:
            return without_unasked(tabulate(con, site, [month], groups, measures, read=facts).to_pylist())

        return MonthRows(
            rows(("care_area",), self.charted),
            rows((), self.charted),
            rows(("entry",), () if self.share else BY_ENTRY),
            (behind or {}).get(str(month)),
        )

    def keep(self, rows: Mapping[Month, MonthRows]) -> None:
        """Keep the rows of months that have a key."""
        self._memory.keep(
            {str(month): (self._keys[month], pack(one)) for month, one in rows.items() if month in self._keys}
        )

    def keep_shown(
        self, con: duckdb.DuckDBPyConnection, site: Site, shown: Sequence[Month], facts: Facts
    ) -> None:
        """Keep what pages show of months that were worked out for them.

        Parameters
        ----------
        con
            Connection with the relations of reports.
        site
            The site.
        shown
            The months that are shown; those that were recalled are passed over.
        facts
            What was read of them.
        """
        new = [month for month in shown if month in self._keys and month not in self._recalled]
        if not new or not self._are_apart(shown):
            return
        wanted = [(MEASURES[name], groups) for name, groups in _SHOWN]
        for measure, groups in wanted:
            # of all months at once
            facts.of(measure, groups, [str(month) for month in shown])
        self.keep(
            {
                month: replace(
                    self.make(con, site, month, facts),
                    facts=facts.of_month(str(month), wanted),
                    cases=read_case_tables(con, str(month)),
                )
                for month in new
            }
        )
