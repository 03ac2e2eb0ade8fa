"""The whole report as one frozen value: its pages, what stands on paper, the sheets of its workbook."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Final

import pyarrow as pa

from dripledger.reports.areas import area_leaves
from dripledger.reports.behind import LISTS
from dripledger.reports.blocks import Block, Bullets, Dashboard, Heading, Leaf, Sheet, Table, Text, Value
from dripledger.reports.case_list import case_lines
from dripledger.reports.change_months import change_month_leaves
from dripledger.reports.changes import changes_leaf, shown_changes
from dripledger.reports.entries import entry_leaves
from dripledger.reports.first import cases_page, first_page
from dripledger.reports.list_pages import list_leaves
from dripledger.reports.material import Material
from dripledger.reports.pumps import alarms_leaf, fleet_leaf, read_pumps
from dripledger.reports.restated import Restated, restated_blocks
from dripledger.reports.shown_often import side_by_side
from dripledger.reports.standing import definitions_leaf, library_leaf, quality_leaf

#: Rows of a sheet; what a workbook can hold is 1,048,576, headings and all.
SHEET_ROWS: Final = 200_000
_SHEET_NAMES: Final = {
    "attempts": "Attempts",
    "starts": "Starts",
    "running": "Running hours",
    "programmings": "Programmings",
    "alarms": "Alarms",
    "powered": "Powered-on hours",
    "in_alarm": "Time in alarm",
    "stops": "Stops",
    "rate_changes": "Rate changes",
}


def compose_dashboard(
    material: Material,
    restated: list[Restated],
    measures: pa.Table,
    redeclared: Sequence[Block] = (),
    unbuilt: Sequence[Block] = (),
) -> Dashboard:
    """Compose every page, the paper form and the sheets.

    Parameters
    ----------
    material
        What the report is made of.
    restated
        Published months that late files have changed.
    measures
        The month's table of measures, for the workbook.
    redeclared
        What was declared anew since earlier reports.
    unbuilt
        That settings are printed which the infusions were not built with.
    """
    page, report = material.page, material.site.settings.report
    told = [*restated_blocks(material, restated), *redeclared]
    leaves = tuple(_leaves(material, told, unbuilt))
    first = leaves[0]
    return Dashboard(
        stamp=page.stamp,
        title=page.title,
        month=page.month,
        month_name=page.month_name,
        standing=page.standing,
        state=page.state,
        paper=report.paper,
        decimal=report.decimal,
        share=material.share,
        leaves=leaves,
        paper_blocks=tuple(_on_paper(material, first)),
        sheets=tuple(_sheets(material, measures)),
        cautions=page.cautions,
    )


def _leaves(material: Material, told: list[Block], unbuilt: Sequence[Block] = ()) -> Iterator[Leaf]:
    yield first_page(material, told)
    if material.share:
        yield from area_leaves(material)
        yield library_leaf(material)
        yield quality_leaf(material)
        yield definitions_leaf(material, unbuilt)
        return
    pumps = read_pumps(material)
    yield cases_page(material)
    if shown_changes(material):
        yield changes_leaf(material)
        yield from change_month_leaves(material)
    yield from area_leaves(material)
    yield from entry_leaves(material)
    yield alarms_leaf(material, pumps)
    yield library_leaf(material)
    yield fleet_leaf(material, pumps)
    yield quality_leaf(material)
    yield definitions_leaf(material, unbuilt)
    areas = [row["care_area"] for name in LISTS for row in material.lists[name]]
    ordered = [a for a in material.areas if a in set(areas)]
    yield from list_leaves(material.site, material.lists, ordered, material.page.month_name)


def _on_paper(material: Material, first: Leaf) -> Iterator[Block]:
    """Return what a committee gets on paper: the first page, the areas side by side, data quality."""
    end = next(i for i, b in enumerate(first.blocks) if isinstance(b, Heading) and b.anchor == "rests")
    yield from first.blocks[:end]
    yield Heading("Care areas, as selected at the pump", "areas")
    yield side_by_side(material)
    yield from (Text(note) for note in material.page.no_area_notes)
    quality = quality_leaf(material).blocks
    yield from (block for block in quality[:2] if isinstance(block, Heading | Table))
    yield from first.blocks[end:]
    yield Heading("Definitions in one line", "definitions")
    yield Bullets(
        tuple(f"{d.title}: {d.numerator} / {d.denominator}." for d in material.page.definitions if d.built)
    )


def _sheets(material: Material, measures: pa.Table) -> Iterator[Sheet]:
    yield sheet("Measures", "every measure of the month by care area, as in measures.csv", measures)
    if material.share:
        return
    names, rows = case_lines(material.cases, str(material.month))
    yield Sheet("Cases", "the month's cases, and the open ones of the twelve months before", names, rows)
    for name, what in LISTS.items():
        table = material.tables[name]
        timed = "local_time" in table.column_names
        order = [n for n in table.column_names if n not in ("local_time", "happened_on")]
        what_of = f"{what}; times are local" if timed else what
        yield sheet(_SHEET_NAMES[name], what_of, table.select(["local_time", *order] if timed else order))
    yield sheet("Pumps", "one pump", material.con.sql("select * from report_pumps").to_arrow_table())


def sheet(name: str, what: str, table: pa.Table) -> Sheet:
    """Return a table as a sheet, cut to what one can hold."""
    rows = table.slice(0, SHEET_ROWS).to_pylist()
    return Sheet(
        name,
        what,
        tuple(table.column_names),
        tuple(tuple(_value(v) for v in row.values()) for row in rows),
        table.num_rows,
    )


def _value(value: Any) -> Value | bool:
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, datetime | date | str | int | float) or value is None:
        return value
    return str(value)
