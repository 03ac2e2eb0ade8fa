"""What was declared anew since the month began: earlier months are worked out again under today's words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

from dripledger.errors import ConfigurationError
from dripledger.lists import read_changes
from dripledger.measures import Month, edited_since, site_as_published
from dripledger.reports.blocks import Block, Heading, Text
from dripledger.reports.naming import day
from dripledger.reports.words import plural
from dripledger.site import Site
from dripledger.store import INFUSION_RULES, LOOKUP_FILES, NOT_BUILT, CommitRow, Snapshot, program_differs

#: Lists that grow from month to month, and change no figure of a month that was.
_OF_EVERY_MONTH: Final = ("changes.csv", "reviews.csv")
_NAMED: Final = 12
_IN_WORDS: Final = {
    INFUSION_RULES: "the program's rules for infusions",
    LOOKUP_FILES: "lookup files of sources",
}


def redeclared_blocks(
    site: Site, month: Month, snapshot: Snapshot | None, *, share: bool = False
) -> list[Block]:
    """Say which settings, lists, mappings and rules are others than when the report's month began.

    Parameters
    ----------
    site
        The site: its zone, form of dates, and settings as they are used here.
    month
        The report's month. The first version built in it, or after it, is what is compared with: from there
        on the report of the month before can be made.
    snapshot
        The store version of the report; None: there is no ledger to look back in.
    share
        Whether it is for the form for sharing: nothing of the lists that the site keeps.

    Returns
    -------
    list of Block
        A heading and a paragraph each; nothing where nothing is another.
    """
    if snapshot is None or snapshot.row is None:
        return []
    told = [
        *not_built_yet(site, snapshot),
        *_not_kept_yet(site, snapshot, share),
        *(() if share else _anew(site, month, snapshot)),
    ]
    return [Heading("Declared anew", "redeclared"), *told] if told else []


def not_built_yet(site: Site, snapshot: Snapshot | None) -> Iterator[Block]:
    """Tell what was edited after the events and infusions of this version were made by it."""
    if snapshot is None or snapshot.row is None:
        return
    kept = site_as_published(site, snapshot)
    built, now = (
        {
            "site.toml": (s.settings.thresholds.of_infusions, s.settings.care_areas, s.settings.precedence),
            "clocks.csv": s.clocks,
            "service.csv": s.service,
        }
        for s in (kept, site)
    )
    names = [name for name in built if built[name] != now[name]]
    if names:
        yield Text(
            f"{', '.join(names)}: {plural(len(names), 'another', 'others')} than the infusions of store "
            f"version {snapshot.version} were built with. What is counted here rests on the former "
            f"{plural(len(names), 'one', 'ones')}, whatever windows are printed with it, until "
            "'dripledger ingest' has run.",
            "Not built yet",
        )


def _not_kept_yet(site: Site, snapshot: Snapshot, share: bool) -> Iterator[Block]:
    """Tell which files say something else than this version keeps, though the figures go by them."""
    names = [name for name in edited_since(site, snapshot) if not share or name == "site.toml"]
    if names:
        yield Text(
            f"{', '.join(names)}: edited since store version {snapshot.version} was committed. Figures go by "
            f"{plural(len(names), 'the file', 'the files')} of now, and no store version keeps "
            f"{plural(len(names), 'it', 'them')} until 'dripledger ingest' has run.",
            "Not kept yet",
        )


def _anew(site: Site, month: Month, snapshot: Snapshot) -> Iterator[Block]:
    zone = ZoneInfo(site.settings.time_zone)
    rows = built_versions(snapshot)
    begins = month.begins_at(zone)
    base = next((r for r in rows if r.committed_at >= begins), rows[-1] if rows else None)
    if base is None:
        return
    told = declared_since(site, snapshot, base)
    told += [text for text in [_dated_back(site, snapshot, base, month.begins_local.date())] if text]
    if told:
        yield Text(
            f"{listed(told)}. Figures of earlier months stand here as they are worked out "
            "now, and can be others than in reports made before. With what was declared at store version "
            f"{base.version} they are worked out by 'dripledger report --month ... --as-of {base.version}'.",
            f"Since {_day_of(site, base)}",
        )


def listed(told: Sequence[str]) -> str:
    """Set what `declared_since` named as one text."""
    more = f"; and {len(told) - _NAMED} more" if len(told) > _NAMED else ""
    return f"{'; '.join(told[:_NAMED])}{more}"


def declared_since(site: Site, snapshot: Snapshot, base: CommitRow) -> list[str]:
    """Name what is declared otherwise in a store version than in an earlier one, each with when it changed.

    Parameters
    ----------
    site
        The site: its zone and form of dates.
    snapshot
        The later version.
    base
        The row of the earlier one.
    """
    if not base.declarations:
        return []
    later = (r for r in built_versions(snapshot) if r.version > base.version)
    rows = [base, *later]
    # what is again as it was changes nothing
    now = rows[-1].declarations
    changed = {
        name: row for name, row in _changes(rows).items() if base.declarations.get(name) != now.get(name)
    }
    if INFUSION_RULES in changed and not _program_differs(snapshot, base.declarations, now):
        # the settings that it names too stand in a file that is named by itself
        del changed[INFUSION_RULES]
    return [
        f"{_shown(name, base)} (store version {row.version}, {_day_of(site, row)})"
        for name, row in sorted(changed.items())
    ]


def _program_differs(snapshot: Snapshot, before: Mapping[str, str], now: Mapping[str, str]) -> bool:
    """Return whether two versions were built by other rules of the program, not by other settings alone."""
    if before.get("site.toml") == now.get("site.toml"):
        # its defaults are its own
        return True
    kept = [found.get(INFUSION_RULES) for found in (before, now)]
    try:
        texts = [(snapshot.root / "declarations" / name).read_text("utf-8") for name in kept if name]
    except OSError:
        return True
    return len(texts) < len(kept) or program_differs(*texts)


def built_versions(snapshot: Snapshot) -> list[CommitRow]:
    """Return the versions in which infusions were built, the oldest first."""
    found = (r for r in snapshot.history if r.declarations and r.note != NOT_BUILT)
    return sorted(found, key=lambda r: r.version)


def _day_of(site: Site, row: CommitRow) -> str:
    zone = ZoneInfo(site.settings.time_zone)
    return day(row.committed_at.astimezone(zone).date(), site.settings.report.dates)


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


def _shown(name: str, base: CommitRow) -> str:
    if name not in _IN_WORDS:
        return name
    # a store of before kept no digest of them
    first = "" if name in base.declarations else ", written down for the first time"
    return f"{_IN_WORDS[name]}{first}"


def _dated_back(site: Site, snapshot: Snapshot, base: CommitRow, begins: date) -> str:
    """Say how many rows of before the month came into `changes.csv` since, or went; charts show them."""
    kept = base.declarations.get("changes.csv")
    try:
        known = set(read_changes(snapshot.root / "declarations" / kept)) if kept else set()
    except ConfigurationError:
        # a damaged store is for 'verify' to tell
        return "changes.csv (its rows of then cannot be read any more)"
    rows = [row for row in known.symmetric_difference(site.changes) if row.date < begins]
    if not rows:
        return ""
    limits = sum(row.new_limits for row in rows)
    anew = f"; {limits} of them with new limits" if limits else ""
    return f"changes.csv ({len(rows)} {plural(len(rows), 'row')} of before the month came or went{anew})"
