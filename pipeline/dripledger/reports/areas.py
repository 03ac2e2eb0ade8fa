"""A page for every care area, as selected at the pump, and one with the areas side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Final

from dripledger.reports.blocks import Block, Bullets, Cell, Column, Heading, Leaf, Pairs, Table, Text
from dripledger.reports.cards import cards, changes_block
from dripledger.reports.case_list import HOW_TO_TRACE, area_file, case_table, entry_file
from dripledger.reports.entries import with_page
from dripledger.reports.figure_tables import by_area
from dripledger.reports.figures import shown
from dripledger.reports.material import Material
from dripledger.reports.mixes import mix_blocks
from dripledger.reports.model import Figure
from dripledger.reports.shown_often import outcomes, side_by_side
from dripledger.reports.together import TOGETHER
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
        (side_by_side(material), *(Text(note) for note in notes), *_further(material)),
        nav="Care areas",
    )
    for area in material.areas:
        yield _leaf(material, area)


#: Figures of areas that stand on no card; the second list is of alarms and changes.
_OF_LIBRARY: Final = (
    ("library_use_hours", "Running hours under an entry"),
    ("hard_alert_share", "Programmings with a hard limit alert"),
    ("soft_alerts_per_100_infusions", "Soft alerts per 100 in-library infusions"),
    ("stale_library_share", "Starts on an out-of-date library"),
)
_OF_ALARMS: Final = (
    ("alarm_time_to_clear", "Half of the alarms cleared within"),
    ("alarm_time_to_clear_p90", "Nine of ten cleared within"),
    ("alarm_time_to_first_response", "Half answered within"),
    ("user_rate_changes", "User rate changes per 100 running hours"),
)


_WINDOWS: Final = "lists/start_windows.csv"


def _further(material: Material) -> list[Block]:
    """Return what else there is by area, and how much the rule of continuation weighs."""
    if material.share:
        return []
    page = material.page
    blocks: list[Block] = [
        Heading("Further figures of library and limits", "further"),
        by_area(material, _OF_LIBRARY, "Intervals of alerts count infusions, for alerts come in bursts."),
        Heading("Further figures of alarms and changes", "alarms"),
        by_area(
            material,
            _OF_ALARMS,
            "Times are Kaplan-Meier estimates; their counts are of alarms seen to end. Treatments differ "
            "between areas, so rate changes cannot be compared.",
        ),
        *mix_blocks(material),
        Heading("How much rests on the rule of continuation", "continuation"),
        Text(
            "A start soon after a stop or a completion continues the same infusion. The shares by starts of "
            "the whole facility, with other lengths of that window:"
        ),
        Table(
            (
                Column("Window after a stop"),
                Column("Starts under an entry", number=True),
                Column("Starts with a hard high limit", number=True),
            ),
            tuple(
                (
                    Cell(row.window, note="this report" if row.is_site else ""),
                    *(_plain(found, _WINDOWS) for found in (row.starts, row.protected)),
                )
                for row in page.windows
            ),
            empty="No start in the month.",
        ),
        Text("What counts as a start under each window:", "", _WINDOWS, "start_windows.csv"),
    ]
    if page.apart:
        items = tuple(
            (Cell(f"{item.count} {item.what}", "infusions.csv"), item.detail) for item in page.apart
        )
        blocks += [Heading("Counted apart", "apart"), Pairs(items)]
    return blocks


def _plain(found: Figure, listed: str) -> Cell:
    return Cell(
        shown(found),
        listed if found.counts else "",
        note=found.counts.replace(" / ", " of "),
        beside=found.interval,
    )


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
        blocks += [HOW_TO_TRACE] if own else []
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
