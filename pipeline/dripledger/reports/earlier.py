"""The months before those that a report shows: what the limits of its charts rest on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import duckdb

from dripledger.measures import MEASURES, Facts, Month, month_states, prepare
from dripledger.reports.behind import BY_ENTRY
from dripledger.reports.hours_behind import HoursBehind, read_hours_behind
from dripledger.reports.past import Past
from dripledger.reports.remembered import MonthRows
from dripledger.site import Site

Row = dict[str, Any]


@dataclass(frozen=True)
class Earlier:
    """Rows of the table of measures of months that no page shows.

    Attributes
    ----------
    months
        These months in order; the first one shown follows the last.
    provisional
        Those that may still change.
    by_area, facility, by_entry
        Their rows, of measures with a chart.
    behind
        Month -> the infusions behind its hours; only for the form for sharing.
    past
        Where what is remembered comes from.
    recalled
        Month -> what is remembered of it, of months that are shown and were not prepared.
    """

    months: tuple[str, ...] = ()
    provisional: frozenset[str] = frozenset()
    by_area: tuple[Row, ...] = ()
    facility: tuple[Row, ...] = ()
    by_entry: tuple[Row, ...] = ()
    behind: Mapping[str, HoursBehind] = field(default_factory=dict)
    past: Past | None = field(default=None, compare=False, repr=False)
    recalled: Mapping[str, MonthRows] = field(default_factory=dict, compare=False, repr=False)


def read_earlier(con: duckdb.DuckDBPyConnection, site: Site, months: Sequence[Month], past: Past) -> Earlier:
    """Read what the charts need of earlier months; some relations of measures are left standing for these.

    Parameters
    ----------
    con
        Connection in which the store's tables stand.
    site
        The site.
    months
        Months in order, without a hole up to the first that is shown.
    past
        What is remembered of them; what is worked out is kept there.
    """
    if not months:
        return Earlier()
    rows = past.rows(months)
    provisional: set[str] = set()
    together = [month for month in months if month in past.together]
    anew = [month for month in months if month not in rows and month not in together]
    for some in (anew, together):
        if some:
            prepare(con, site, some, past.relations)
            provisional |= {name for name, state in month_states(con, site).items() if state.provisional}
            rows.update(_worked_out(con, site, some, past))
    past.keep({month: rows[month] for month in anew})
    found = [rows[month] for month in months]
    return Earlier(
        tuple(str(month) for month in months),
        frozenset(provisional),
        tuple(row for one in found for row in one.by_area),
        tuple(row for one in found for row in one.facility),
        tuple(row for one in found for row in one.by_entry),
        {str(month): one.behind for month, one in rows.items() if one.behind is not None},
    )


def _worked_out(
    con: duckdb.DuckDBPyConnection, site: Site, months: Sequence[Month], past: Past
) -> dict[Month, MonthRows]:
    """Return the rows of prepared months."""
    facts, names = Facts(con), [str(month) for month in months]
    by_entry = () if past.share else BY_ENTRY
    for groups, measures in ((("care_area",), past.charted), ((), past.charted), (("entry",), by_entry)):
        for measure in measures:
            # of all months at once
            facts.of(MEASURES[measure], groups, names)
    behind = read_hours_behind(con) if past.share else {}
    return {month: past.make(con, site, month, facts, behind) for month in months}
