"""What the figures before and after a declared change are made of: the counts of each month."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import pyarrow as pa

from dripledger.lists import ChangeRow
from dripledger.measures import MEASURES, ROWS
from dripledger.reports.blocks import Block, Cell, Column, Heading, Leaf, Table, Text
from dripledger.reports.cards import title_of
from dripledger.reports.changes import FILE, Side, all_compared, page_behind, shown_changes
from dripledger.reports.material import Material
from dripledger.reports.naming import day, short_month
from dripledger.reports.words import amount, whole

CSV_NAME: Final = "lists/changes.csv"
_SCHEMA: Final = pa.schema({
    "declared_on": pa.date32(), "area": pa.string(), "what": pa.string(), "measure": pa.string(),
    "side": pa.string(), "month": pa.string(), "numerator": pa.decimal128(38, 9),
    "denominator": pa.decimal128(38, 9),
})  # fmt: skip


def change_month_leaves(material: Material) -> Iterator[Leaf]:
    """Make a page for each measure beside each change: the months that add up to its two figures."""
    for number, row in enumerate(shown_changes(material)):
        for measure, before, after, _ in all_compared(material, row):
            yield _leaf(material, number, row, measure, (("before", before), ("after", after)))


def change_months(material: Material) -> pa.Table:
    """Return the same as one table."""
    rows: list[dict[str, Any]] = [
        {
            "declared_on": row.date, "area": row.area or "", "what": row.what, "measure": measure,
            "side": name, **{key: month[key] for key in ("month", "numerator", "denominator")},
        }
        for row in shown_changes(material)
        for measure, before, after, _ in all_compared(material, row)
        for name, side in (("before", before), ("after", after))
        for month in side.rows
    ]  # fmt: skip
    return pa.Table.from_pylist(rows, _SCHEMA)


def _leaf(
    material: Material, number: int, row: ChangeRow, measure: str, both: tuple[tuple[str, Side], ...]
) -> Leaf:
    declared = MEASURES[ROWS[measure][0].id]
    on = day(row.date, material.site.settings.report.dates)
    blocks: list[Block] = []
    for name, side in both:
        told = f"{whole(side.counted)} of {amount(side.whole, material.decimal)}"
        blocks += [
            Heading(f"{name.capitalize()}: {told}", name),
            _months(material, row.area or "", measure, side),
        ]
    own = any(month["month"] == str(material.month) for _, side in both for month in side.rows)
    here = f"The rows behind the counts of {material.page.month_name} open from here. " if own else ""
    blocks.append(Text(f"{here}The rows of {'another' if own else 'each'} month stand in its own report."))
    blocks.append(Text("", "The months of all changes as a table:", CSV_NAME, CSV_NAME.rsplit("/", 1)[-1]))
    return Leaf(
        page_behind(number, measure),
        title_of(measure),
        f"{row.what}{f', {row.area}' if row.area else ''}, {on}: the months that its figures add up. "
        f"Counted: {declared.numerator}; of: {declared.denominator}.",
        tuple(blocks),
        up=(f"{FILE}#change-{number}", "Before and after declared changes"),
    )


def _months(material: Material, area: str, measure: str, side: Side) -> Table:
    lines = []
    for row in side.rows:
        links = material.links(measure, area) if row["month"] == str(material.month) else ("", "")
        counts = (whole(int(row["numerator"])), amount(row["denominator"], material.decimal))
        lines.append(
            (
                Cell(short_month(row["month"])),
                *(Cell(text, link) for text, link in zip(counts, links, strict=True)),
            )
        )
    total = (
        Cell("in total"), Cell(whole(side.counted)), Cell(amount(side.whole, material.decimal)),
    )  # fmt: skip
    return Table(
        (Column("Month", tight=True), Column("Counted", number=True), Column("Of", number=True)),
        (*lines, total) if lines else (),
        empty="No month of this side has the measure.",
    )
