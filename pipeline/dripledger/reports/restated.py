"""Published months that have changed: what was, what is, which late files did it and what was declared anew.

A month counts as published with the store version at which enough pumps had been heard for it to be final.
That follows from the ledger alone, so an old report can be made again byte for byte.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

import pyarrow as pa

from dripledger.engine import connect
from dripledger.errors import DripledgerError
from dripledger.measures import (
    STORE_TABLES,
    Facts,
    Month,
    month_states,
    prepare,
    relations_of,
    site_as_published,
    tabulate,
)
from dripledger.reports.blocks import Block, Cell, Column, Heading, Table, Text
from dripledger.reports.cards import title_of
from dripledger.reports.figures import both_counts, figure, shown
from dripledger.reports.material import Material
from dripledger.reports.naming import short_month
from dripledger.reports.redeclared import built_versions, declared_since, listed
from dripledger.reports.together import TOGETHER
from dripledger.reports.words import plural, whole
from dripledger.site import Site
from dripledger.store import CommitRow, Ledger, Snapshot

Row = dict[str, Any]

#: Newest months with late files for which the old figures are worked out again; older ones are only named.
_MOST_LATE: Final = 3
#: Newest months that are looked at for what was declared anew alone.
_MOST_DECLARED: Final = 3
#: Lines of a month on the first page: the whole facility's, and some areas'.
_MOST_LINES: Final = 15
#: The table beside the pages that holds them all.
CSV_NAME: Final = "restated.csv"
_MOST_FILES: Final = 20
_MEASURES: Final = (*TOGETHER, "fleet_coverage")


@dataclass(frozen=True, slots=True)
class Restated:
    """One month: the version it was final at, what differs, the late files, and what was declared anew."""

    month: str
    version: int
    files: tuple[tuple[str, int], ...]
    declared: tuple[str, ...]
    #: measure, area, old row, new row
    differs: tuple[tuple[str, str, Row, Row], ...] = ()
    #: Why nothing was compared; empty: it was.
    untold: str = ""


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
    built = built_versions(snapshot)
    found: list[Restated] = []
    of_late = of_declared = 0
    for month in sorted((m for m in {*finals, *material.months} if m < str(material.month)), reverse=True):
        row = _final_row(built, finals.get(month))
        if row is None or row.version >= snapshot.version:
            continue
        files = tuple(sorted(late.get(month, {}).items()))
        declared = tuple(declared_since(material.site, snapshot, row))
        one = Restated(month, row.version, files, declared)
        if files:
            of_late += 1
            if of_late > _MOST_LATE or month not in material.months:
                one = replace(one, untold="Its figures were not compared.")
        elif declared and month in material.months and of_declared < _MOST_DECLARED:
            of_declared += 1
        else:
            continue
        found.append(one)
    return [one for one in _compared(material, snapshot, found) if one.differs or one.untold]


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


def _final_row(built: Sequence[CommitRow], final_at: datetime | None) -> CommitRow | None:
    """Return the version with which a month was final: the first one built then or later.

    None is final now that was before a pump in service was declared anew: the version before that is asked.
    """
    if final_at is not None:
        return next((r for r in built if r.committed_at >= final_at), built[-1] if built else None)
    now = built[-1].declarations.get("pumps.csv") if built else None
    return next((r for r in reversed(built) if r.declarations.get("pumps.csv") != now), None)


def _compared(material: Material, snapshot: Snapshot, found: Sequence[Restated]) -> Iterator[Restated]:
    """Work out again what was published, each version once, and set it against what is."""
    now: dict[str, dict[tuple[str, str], Row]] = {}
    for row in (*material.by_area, *({**r, "care_area": ""} for r in material.facility)):
        if row["measure"] in _MEASURES:
            now.setdefault(row["month"], {})[row["measure"], row["care_area"]] = row
    then: dict[str, dict[tuple[str, str], Row]] = {}
    untold: dict[int, str] = {}
    for version in sorted({one.version for one in found if not one.untold}):
        months = [one.month for one in found if one.version == version and not one.untold]
        try:
            then.update(_as_it_was(material.site, snapshot, version, months))
        except DripledgerError as error:
            untold[version] = f"Its figures of then cannot be worked out: {error}."
    for one in found:
        if one.untold or one.version in untold:
            # a damaged store is for 'verify' to tell, but late files came in all the same
            if one.files:
                yield replace(one, untold=one.untold or untold[one.version])
        elif one.month in then:
            was = then[one.month]
            differs = tuple(
                (*place, was[place], row)
                for place, row in now.get(one.month, {}).items()
                if place in was and _key(was[place]) != _key(row)
            )
            yield replace(one, differs=differs)


def _as_it_was(
    site: Site, snapshot: Snapshot, version: int, months: Sequence[str]
) -> dict[str, dict[tuple[str, str], Row]]:
    """Work out measures at a store version, as declared then, of those of the months that were final then."""
    old = Ledger.open(snapshot.root).snapshot(str(version))
    site = site_as_published(site, old)
    asked = [Month(*map(int, month.split("-"))) for month in sorted(months)]
    found: dict[str, dict[tuple[str, str], Row]] = {}
    con = connect()
    try:
        old.attach(con, STORE_TABLES)
        prepare(con, site, asked, relations_of(_MEASURES))
        facts = Facts(con)
        rows = [
            *tabulate(con, site, asked, ("care_area",), _MEASURES, read=facts).to_pylist(),
            *tabulate(con, site, asked, (), _MEASURES, read=facts).to_pylist(),
        ]
        states = month_states(con, site)
    finally:
        con.close()
    for row in rows:
        if not states[row["month"]].provisional:
            found.setdefault(row["month"], {})[row["measure"], row.get("care_area") or ""] = row
    return found


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
        if one.untold:
            told.append(one.untold)
        blocks.append(Text(" ".join(told), short_month(one.month)))
        if one.untold:
            continue
        rows = tuple(
            (
                Cell(title_of(measure)),
                Cell(area or "the whole facility"),
                *_pair(old, material),
                *_pair(new, material),
            )
            for measure, area, old, new in sorted(one.differs, key=lambda line: bool(line[1]))
        )
        beyond = len(rows) - _MOST_LINES
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
                rows[:_MOST_LINES],
                f"{short_month(one.month)}: what was, and what is."
                + (f" {whole(beyond)} more lines differ: see {CSV_NAME}." if beyond > 0 else ""),
            )
        )
    return blocks


def restated_table(found: Sequence[Restated]) -> pa.Table:
    """Return every figure that differs: what was, and what is, at the store version where it was final."""
    lines = [
        {
            "month": one.month, "final_at_store_version": one.version, "measure": measure, "care_area": area,
            **{f"{name}_{when}": None if row[name] is None else str(row[name])
               for when, row in (("was", old), ("is", new))
               for name in ("numerator", "denominator", "value")},
        }
        for one in found
        for measure, area, old, new in one.differs
    ]  # fmt: skip
    return pa.Table.from_pylist(lines)


def _pair(row: Row, material: Material) -> tuple[Cell, Cell]:
    cell = figure(row, material.decimal)
    text = shown(cell)
    return Cell(text), Cell(" / ".join(both_counts(cell)) if cell.counts else "")
