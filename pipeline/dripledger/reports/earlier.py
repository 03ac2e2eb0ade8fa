"""The months before those that a report shows: what the limits of its charts rest on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import duckdb

from dripledger.measures import (
    MEASURES,
    Facts,
    Month,
    find_settled,
    month_states,
    prepare,
    relations_of,
    tabulate,
)
from dripledger.reports.behind import BY_ENTRY
from dripledger.reports.hours_behind import HOURS_BEHIND, HoursBehind, read_hours_behind
from dripledger.reports.remembered import Memory, MonthRows, pack, without_unasked
from dripledger.reports.together import TOGETHER
from dripledger.site import Site
from dripledger.store import Snapshot

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
    con: duckdb.DuckDBPyConnection,
    site: Site,
    months: Sequence[Month],
    *,
    snapshot: Snapshot | None = None,
    share: bool = False,
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
    snapshot
        The store version that these tables are of: what was worked out of its settled months is remembered
        beside the reports. None: all is worked out.
    share
        Whether it is for the form for sharing, which has no entries and hides what is small.
    """
    if not months:
        return Earlier()
    wanted = (*CHARTED, *TIED) if share else CHARTED
    relations = {*relations_of((*wanted, *BY_ENTRY)), *({HOURS_BEHIND} if share else ())}
    settled = find_settled(con, site, snapshot, months, relations)
    memory = Memory(site.reports, "shared" if share else "internal")
    rows: dict[Month, MonthRows] = {}
    for month, key in settled.keys.items():
        if (known := memory.recall(str(month), key)) is not None:
            rows[month] = known
    provisional: set[str] = set()
    anew = [month for month in months if month not in rows and month not in settled.together]
    for some in (anew, settled.together):
        if some:
            prepare(con, site, some, relations)
            provisional |= {name for name, state in month_states(con, site).items() if state.provisional}
            rows.update(_worked_out(con, site, some, wanted, share=share))
    memory.keep(
        {str(month): (settled.keys[month], pack(rows[month])) for month in anew if month in settled.keys}
    )
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
    con: duckdb.DuckDBPyConnection, site: Site, months: Sequence[Month], wanted: Sequence[str], *, share: bool
) -> dict[Month, MonthRows]:
    """Return the rows of prepared months, each as if it stood alone: another one adds no area to it."""
    facts, names = Facts(con), [str(month) for month in months]
    by_entry = () if share else BY_ENTRY
    for groups, measures in ((("care_area",), wanted), ((), wanted), (("entry",), by_entry)):
        for measure in measures:
            # of all months at once
            facts.of(MEASURES[measure], groups, names)
    behind = read_hours_behind(con) if share else {}

    def rows(month: Month, groups: tuple[str, ...], measures: Sequence[str]) -> tuple[Row, ...]:
        return without_unasked(tabulate(con, site, [month], groups, measures, read=facts).to_pylist())

    return {
        month: MonthRows(
            rows(month, ("care_area",), wanted),
            rows(month, (), wanted),
            rows(month, ("entry",), by_entry),
            behind.get(str(month)),
        )
        for month in months
    }
