"""What was declared anew since earlier reports: their months are worked out again under today's words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final
from zoneinfo import ZoneInfo

from dripledger.measures import Month
from dripledger.reports.blocks import Block, Text
from dripledger.reports.naming import day
from dripledger.site import Site
from dripledger.store import INFUSION_RULES, NOT_BUILT, CommitRow, Snapshot

#: Lists that grow from month to month, and change no figure of a month that was.
_OF_EVERY_MONTH: Final = ("changes.csv", "reviews.csv")
_NAMED: Final = 12


def redeclared_blocks(site: Site, month: Month, snapshot: Snapshot | None) -> list[Block]:
    """Say which settings, lists, mappings and rules are others than before the report's month.

    Parameters
    ----------
    site
        The site: its zone and form of dates.
    month
        The report's month; what stood before it began is what earlier reports rest on.
    snapshot
        The store version of the report; None: there is no ledger to look back in.

    Returns
    -------
    list of Block
        One paragraph, or nothing: where nothing stood before the month, no report can be another now.
    """
    if snapshot is None:
        return []
    zone = ZoneInfo(site.settings.time_zone)
    rows = sorted((r for r in snapshot.history if r.declarations), key=lambda r: r.version)
    before = [r for r in rows if r.committed_at < month.begins_at(zone) and r.note != NOT_BUILT]
    if not before:
        return []
    base = before[-1]
    found = _changes([base, *(r for r in rows if r.version > base.version)])
    # what is again as it was changes nothing
    now = rows[-1].declarations
    told = [
        f"{_shown(name)} (store version {row.version}, "
        f"{day(row.committed_at.astimezone(zone).date(), site.settings.report.dates)})"
        for name, row in sorted(found.items())
        if base.declarations.get(name) != now.get(name)
    ]
    if not told:
        return []
    more = f"; and {len(told) - _NAMED} more" if len(told) > _NAMED else ""
    return [
        Text(
            f"{'; '.join(told[:_NAMED])}{more}. Figures of earlier months stand here as they are worked out "
            "now, and can be others than in the reports of then. Those are made again by 'dripledger report "
            f"--month ... --as-of {base.version}'.",
            "Declared anew since earlier reports",
        )
    ]


def _changes(rows: Iterable[CommitRow]) -> Mapping[str, CommitRow]:
    """Return for each declaration the newest version in which it is another than in the one before."""
    found: dict[str, CommitRow] = {}
    former: CommitRow | None = None
    for row in rows:
        if former is not None:
            for name in {*former.declarations, *row.declarations}:
                if former.declarations.get(name) != row.declarations.get(name):
                    found[name] = row
        former = row
    return {name: row for name, row in found.items() if name not in _OF_EVERY_MONTH}


def _shown(name: str) -> str:
    return "the program's rules for infusions" if name == INFUSION_RULES else name
