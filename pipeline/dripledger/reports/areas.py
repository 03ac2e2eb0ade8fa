"""A page for every care area, as selected at the pump, and one with the areas side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from dripledger.reports.blocks import Block, Bullets, Cell, Column, Heading, Leaf, Table, Text
from dripledger.reports.cards import TOGETHER, cards
from dripledger.reports.case_list import area_file, case_table, entry_file
from dripledger.reports.entries import with_page
from dripledger.reports.first import changes_block
from dripledger.reports.material import Material
from dripledger.reports.shown_often import outcomes, side_by_side
from dripledger.reports.words import whole


def area_leaves(material: Material) -> Iterator[Leaf]:
    """Make the pages of care areas."""
    notes = material.page.no_area_notes
    yield Leaf(
        "areas.html",
        "Care areas",
        "As selected at the pump, which stays through transport. Areas differ in their patients and "
        "drugs: what "
        "differs between them need not differ in quality.",
        (side_by_side(material), *(Text(note) for note in notes)),
        nav="Care areas",
    )
    for area in material.areas:
        yield _leaf(material, area)


def _leaf(material: Material, area: str) -> Leaf:
    month = str(material.month)
    blocks: list[Block] = [
        *changes_block(material, area),
        cards(material, TOGETHER, area),
        *outcomes(material, area),
    ]
    blocks += [Heading("Cases of the month", "cases")]
    own = [case for case in material.cases if case.month == month and case.area == area]
    if material.share:
        blocks.append(Text("Cases are listed in the internal form only."))
    else:
        blocks.append(
            case_table(material.site, own[:100], empty="No case of the month.", entries=with_page(material))
        )
        if len(own) > 100:
            blocks.append(Text(f"{whole(len(own) - 100)} more.", href="cases.html", more="All cases"))
        blocks += [Heading("Entries with limit alerts", "entries"), _entries(material, area)]
    missing = tuple(
        f"{one.title}: {one.reason}." for one in material.page.missing if area in one.where.split(", ")
    )
    if missing and not material.share:
        blocks += [Heading("What could not be measured here, and why", "missing"), Bullets(missing)]
    lead = (
        f"{material.page.month_name}. Figures are of what was selected at the pump. "
        f"{material.page.cautions[0]}"
    )
    return Leaf(area_file(area), area, lead, tuple(blocks), up=("areas.html", "Care areas"))


def _entries(material: Material, area: str) -> Table:
    met: dict[str, Counter[str]] = {}
    for row in material.lists["attempts"]:
        if row["care_area"] == area:
            counts = met.setdefault(row["entry"], Counter())
            counts["all"] += 1
            counts[row["outcome"]] += 1
    have = set(with_page(material))
    rows = tuple(
        (
            Cell(entry or "no entry", entry_file(entry) if entry in have else ""),
            *(Cell(whole(counts[key]), value=counts[key]) for key in ("all", "overridden", "left_library")),
        )
        for entry, counts in sorted(met.items())
    )
    columns = (
        Column("Entry"),
        Column("Attempts", number=True),
        Column("Overridden", number=True),
        Column("Left the library", number=True),
    )
    return Table(columns, rows, empty="No entry warned in this area.", sortable=True)
