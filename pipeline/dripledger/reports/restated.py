"""Published months that late files have changed: what was, what is, and which files did it.

A month counts as published with the store version at which enough pumps had been heard for it to be final.
That follows from the ledger alone, so an old report can be made again byte for byte.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from dripledger.engine import connect
from dripledger.measures import STORE_TABLES, Month, prepare, site_as_published, tabulate
from dripledger.reports.blocks import Block, Cell, Column, Heading, Table, Text
from dripledger.reports.cards import title_of
from dripledger.reports.figures import both_counts, figure, shown
from dripledger.reports.material import Material
from dripledger.reports.naming import short_month
from dripledger.reports.together import TOGETHER
from dripledger.reports.words import plural, whole
from dripledger.site import Site
from dripledger.store import Ledger, Snapshot

Row = dict[str, Any]

#: Months for which the old figures are worked out again; older ones are named with their files alone.
_MOST_MONTHS: Final = 3
_MOST_FILES: Final = 20
_MEASURES: Final = (*TOGETHER, "fleet_coverage")


@dataclass(frozen=True, slots=True)
class Restated:
    """One month: the version it was final at, what differs, and the files."""

    month: str
    version: int
    #: measure, area, old row, new row
    differs: tuple[tuple[str, str, Row, Row], ...]
    files: tuple[tuple[str, int], ...]
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
    late: dict[str, tuple[datetime, dict[str, int]]] = {}
    for month, final_at, path, sha, events in material.con.execute(
        "select month, final_at, path, source_file_sha256, events from report_late_events"
    ).fetchall():
        files = late.setdefault(month, (final_at, {}))[1]
        name = path or sha or "a file no longer listed"
        files[name] = files.get(name, 0) + events
    found = []
    for number, (month, (final_at, files)) in enumerate(sorted(late.items(), reverse=True)):
        if month == str(material.month):
            continue
        row = max(
            (r for r in snapshot.history if r.committed_at <= final_at), key=lambda r: r.version, default=None
        )
        after = [r for r in snapshot.history if r.committed_at >= final_at]
        version = after[0].version if after else (row.version if row else 0)
        if not version or version >= snapshot.version:
            continue
        differs = _differences(material, snapshot, month, version) if number < _MOST_MONTHS else ()
        found.append(Restated(month, version, differs, tuple(sorted(files.items())), number < _MOST_MONTHS))
    return [one for one in found if one.differs or not one.compared]


def _differences(
    material: Material, snapshot: Snapshot, month: str, version: int
) -> tuple[tuple[str, str, Row, Row], ...]:
    old = Ledger.open(snapshot.root).snapshot(str(version))
    site: Site = site_as_published(material.site, old)
    asked = Month(*map(int, month.split("-")))
    con = connect()
    try:
        old.attach(con, STORE_TABLES)
        prepare(con, site, [asked])
        before = [
            *tabulate(con, site, [asked], ("care_area",)).to_pylist(),
            *({**r, "care_area": ""} for r in tabulate(con, site, [asked], ()).to_pylist()),
        ]
    finally:
        con.close()
    now = [
        r
        for r in (*material.by_area, *({**r, "care_area": ""} for r in material.facility))
        if r["month"] == month
    ]
    then = {(r["measure"], r["care_area"]): r for r in before}
    out = []
    for row in now:
        earlier = then.get((row["measure"], row["care_area"]))
        if row["measure"] in _MEASURES and earlier is not None and _key(earlier) != _key(row):
            out.append((row["measure"], row["care_area"], earlier, row))
    return tuple({(m, a): (m, a, o, n) for m, a, o, n in out}.values())


def _key(row: Row) -> tuple[Any, ...]:
    return row["numerator"], row["denominator"], row["value"]


def restated_blocks(material: Material, found: Iterable[Restated]) -> list[Block]:
    """Set the months as blocks; nothing where none was restated."""
    blocks: list[Block] = []
    for one in found:
        if not blocks:
            blocks.append(Heading("Restated: published months that late files have changed", "restated"))
        events = sum(n for _, n in one.files)
        files = "; ".join(f"{path} ({whole(n)})" for path, n in one.files[:_MOST_FILES])
        left = len(one.files) - _MOST_FILES
        more = f"; and {whole(left)} more" if left > 0 else ""
        blocks.append(
            Text(
                f"was final at store version {one.version}. {whole(events)} {plural(events, 'event')} "
                "came in later, in "
                f"{whole(len(one.files))} {plural(len(one.files), 'file')}: {files}{more}.",
                short_month(one.month),
            )
        )
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
