"""The months before those that a report shows: what the limits of its charts rest on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import duckdb

from dripledger.measures import Month, month_states, prepare, relations_of, tabulate
from dripledger.reports.behind import BY_ENTRY
from dripledger.reports.hours_behind import HOURS_BEHIND, HoursBehind, read_hours_behind
from dripledger.reports.together import TOGETHER
from dripledger.site import Site

Row = dict[str, Any]

#: Measures with a chart, of the facility or of an area.
CHARTED: Final = (*TOGETHER, "pump_alarm_rate", "alarm_minutes", "stale_library_share")
#: What the form for sharing hides together with those of them that follow from it.
TIED: Final = ("outcomes_soft", "outcomes_hard")


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
    """

    months: tuple[str, ...] = ()
    provisional: frozenset[str] = frozenset()
    by_area: tuple[Row, ...] = ()
    facility: tuple[Row, ...] = ()
    by_entry: tuple[Row, ...] = ()
    behind: Mapping[str, HoursBehind] = field(default_factory=dict)


def read_earlier(
    con: duckdb.DuckDBPyConnection, site: Site, months: Sequence[Month], *, share: bool = False
) -> Earlier:
    """Read what the charts need of earlier months; some relations of measures are left standing for these.

    Parameters
    ----------
    con
        Connection in which the store's tables stand.
    site
        The site.
    months
        Months in order, without a hole up to the first that is shown.
    share
        Whether it is for the form for sharing, which has no entries and hides what is small.
    """
    if not months:
        return Earlier()
    wanted = (*CHARTED, *TIED) if share else CHARTED
    prepare(con, site, months, {*relations_of(wanted), *({HOURS_BEHIND} if share else ())})
    states = month_states(con, site)
    return Earlier(
        tuple(str(month) for month in months),
        frozenset(name for name, state in states.items() if state.provisional),
        tuple(tabulate(con, site, months, ("care_area",), wanted).to_pylist()),
        tuple(tabulate(con, site, months, (), wanted).to_pylist()),
        () if share else tuple(tabulate(con, site, months, ("entry",), BY_ENTRY).to_pylist()),
        read_hours_behind(con) if share else {},
    )
