"""Published months that have changed: what was, what is, which late files did it and what was declared anew.

A month counts as published with the store version at which enough pumps had been heard for it to be final.
That follows from the ledger alone, so an old report can be made again byte for byte.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from dripledger.engine import connect
from dripledger.measures import STORE_TABLES, Facts, Month, prepare, site_as_published, tabulate
from dripledger.reports.blocks import Block, Cell, Column, Heading, Table, Text
from dripledger.reports.cards import title_of
from dripledger.reports.figures import both_counts, figure, shown
from dripledger.reports.material import Material
from dripledger.reports.naming import short_month
from dripledger.reports.redeclared import declared_since, listed
from dripledger.reports.together import TOGETHER
from dripledger.reports.words import plural, whole
from dripledger.site import Site
from dripledger.store import CommitRow, Ledger, Snapshot

Row = dict[str, Any]

#: Months for which the old figures are worked out again; older ones are named with their files alone.
_MOST_MONTHS: Final = 3
_MOST_FILES: Final = 20
_MEASURES: Final = (*TOGETHER, "fleet_coverage")


@dataclass(frozen=True, slots=True)
class Restated:
    """One month: the version it was final at, what differs, the late files, and what was declared anew."""

    month: str
    version: int
    #: measure, area, old row, new row
    differs: tuple[tuple[str, str, Row, Row], ...]
    files: tuple[tuple[str, int], ...]
    declared: tuple[str, ...]
    compared: bool


def restated_months(material: Material, snapshot: Snapshot | None) -> list[Restated]:
    """Find the earlier months that were final and have changed since.

    Parameters
    ----------
    material
        What the report is made of.
    snapshot
        The store version that it is made from; None: there is no ledger to look back in.
    """
    if snapshot is None:
        return []
    finals: dict[str, datetime] = dict(
        material.con.execute("select month, final_at from report_month_finals").fetchall()
    )
    late = _late_files(material)
    wanted: list[Restated] = []
    for month in sorted(finals, reverse=True):
        row = _final_row(snapshot, finals[month])
        if month >= str(material.month) or row is None or row.version >= snapshot.version:
            continue
        declared = declared_since(material.site, snapshot, row)
        compared = len(wanted) < _MOST_MONTHS
        if late.get(month) or (compared and declared):
            files = tuple(sorted(late.get(month, {}).items()))
            wanted.append(Restated(month, row.version, (), files, tuple(declared), compared))
    differs = _differences(material, snapshot, [one for one in wanted if one.compared])
    found = [replace(one, differs=differs.get(one.month, ())) for one in wanted]
    return [one for one in found if one.differs or not one.compared]


def _late_files(material: Material) -> dict[str, dict[str, int]]:
    """Return for each month the files that came in after it was final, with their events."""
    found: dict[str, dict[str, int]] = {}
    for month, path, sha, events in material.con.execute(
        "select month, path, source_file_sha256, events from report_late_events"
    ).fetchall():
        files = found.setdefault(month, {})
        name = path or sha or "a file no longer listed"
        files[name] = files.get(name, 0) + events
    return found


def _final_row(snapshot: Snapshot, final_at: datetime) -> CommitRow | None:
    """Return the version with which a month was final: the first one committed then or later."""
    rows = sorted(snapshot.history, key=lambda r: r.version)
    after = (r for r in rows if r.committed_at >= final_at)
    return next(after, rows[-1] if rows else None)


def _differences(
    material: Material, snapshot: Snapshot, wanted: Sequence[Restated]
) -> dict[str, tuple[tuple[str, str, Row, Row], ...]]:
    """Work out again what was published, each version once, and set it against what is."""
    found: dict[str, tuple[tuple[str, str, Row, Row], ...]] = {}
    now: dict[str, dict[tuple[str, str], Row]] = {}
    for row in (*material.by_area, *({**r, "care_area": ""} for r in material.facility)):
        if row["measure"] in _MEASURES:
            now.setdefault(row["month"], {})[row["measure"], row["care_area"]] = row
    for version in sorted({one.version for one in wanted}):
        months = [one.month for one in wanted if one.version == version]
        then = _as_it_was(material.site, snapshot, version, months)
        for month in months:
            is_now = now.get(month, {})
            found[month] = tuple(
                (*place, then[month, *place], row)
                for place, row in is_now.items()
                if (month, *place) in then and _key(then[month, *place]) != _key(row)
            )
    return found


def _as_it_was(
    site: Site, snapshot: Snapshot, version: int, months: Sequence[str]
) -> dict[tuple[str, str, str], Row]:
    """Work out the measures of months at a store version, as declared then."""
    old = Ledger.open(snapshot.root).snapshot(str(version))
    site = site_as_published(site, old)
    asked = [Month(*map(int, month.split("-"))) for month in sorted(months)]
    con = connect()
    try:
        old.attach(con, STORE_TABLES)
        prepare(con, site, asked)
        facts = Facts(con)
        rows = [
            *tabulate(con, site, asked, ("care_area",), _MEASURES, read=facts).to_pylist(),
            *tabulate(con, site, asked, (), _MEASURES, read=facts).to_pylist(),
        ]
    finally:
        con.close()
    return {(r["month"], r["measure"], r.get("care_area") or ""): r for r in rows}


def _key(row: Row) -> tuple[Any, ...]:
    return row["numerator"], row["denominator"], row["value"]


def restated_blocks(material: Material, found: Iterable[Restated]) -> list[Block]:
    """Set the months as blocks; nothing where none was restated."""
    blocks: list[Block] = []
    for one in found:
        if not blocks:
            blocks.append(Heading("Restated: published months that have changed since", "restated"))
        events = sum(n for _, n in one.files)
        files = "; ".join(f"{path} ({whole(n)})" for path, n in one.files[:_MOST_FILES])
        left = len(one.files) - _MOST_FILES
        more = f"; and {whole(left)} more" if left > 0 else ""
        told = [f"was final at store version {one.version}."]
        if one.files:
            told.append(
                f"{whole(events)} {plural(events, 'event')} came in later, in {whole(len(one.files))} "
                f"{plural(len(one.files), 'file')}: {files}{more}."
            )
        if one.declared:
            told.append(f"Declared anew since: {listed(one.declared)}.")
        blocks.append(Text(" ".join(told), short_month(one.month)))
        if not one.compared:
            continue
        rows = tuple(
            (
                Cell(title_of(measure)),
                Cell(area or "the whole facility"),
                *_pair(old, material),
                *_pair(new, material),
            )
            for measure, area, old, new in one.differs
        )
        blocks.append(
            Table(
                (
                    Column("Measure"),
                    Column("Care area"),
                    Column("Was", number=True),
                    Column("Counts", number=True),
                    Column("Is", number=True),
                    Column("Counts", number=True),
                ),
                rows[:60],
                f"{short_month(one.month)}: what was, and what is."
                + (f" {whole(len(rows) - 60)} more lines differ." if len(rows) > 60 else ""),
                on_paper=10,
            )
        )
    return blocks


def _pair(row: Row, material: Material) -> tuple[Cell, Cell]:
    cell = figure(row, material.decimal)
    text = shown(cell)
    return Cell(text), Cell(" / ".join(both_counts(cell)) if cell.counts else "")
