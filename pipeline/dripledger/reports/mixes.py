"""Care areas against what their own mix of entries lets expect: soft limit alerts, and overrides."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from dripledger.measures import Month, tabulate
from dripledger.reports import draw
from dripledger.reports.blocks import Block, Cell, Column, Heading, Picture, Table, Text
from dripledger.reports.cards import title_of
from dripledger.reports.case_list import area_file
from dripledger.reports.material import Material
from dripledger.reports.naming import short_month
from dripledger.reports.together import STANDARDISED
from dripledger.reports.words import number, whole
from dripledger.statistics import FunnelReading, read_standardised_funnel

_NOUNS: Final = {"soft_alert_share": "programmings with an alert", "override_share": "overrides"}


def mix_blocks(material: Material) -> list[Block]:
    """Compare areas entry by entry over all final months shown; one month has too few of each."""
    heading = Heading("Alerts and overrides after allowing for the mix of entries", "mix")
    final = [name for name in material.months if not material.states[name].provisional]
    if not final:
        return [heading, Text("No month is final yet, so no area is compared with the others.")]
    months = [Month(*map(int, name.split("-"))) for name in final]
    found = tabulate(
        material.con, material.site, months, ("care_area", "entry"), STANDARDISED, read=material.facts
    ).to_pylist()
    first, last = short_month(final[0]), short_month(final[-1])
    blocks: list[Block] = [
        heading,
        Text(
            f"{first} to {last}. Areas run different drugs, and drugs differ in how often their limits warn "
            "and are confirmed past. So each area is held against what it would show if each of its entries "
            "did as that entry does in all areas together: 1 is just that. A ratio away from 1 asks why; it "
            "has no good direction."
        ),
    ]
    for measure in STANDARDISED:
        blocks += _one(material, measure, [row for row in found if row["measure"] == measure])
    return blocks


def _one(material: Material, measure: str, rows: list[dict[str, Any]]) -> list[Block]:
    counted = [row for row in rows if row["numerator"] is not None and row["care_area"] in material.areas]
    areas = [area for area in material.areas if any(row["care_area"] == area for row in counted)]
    entries = sorted({row["entry"] for row in counted})
    blocks: list[Block] = [Heading(title_of(measure), f"mix-{measure}", 3)]
    if not areas:
        return [*blocks, Text("No area has anything to be compared.")]
    x, n = np.zeros((len(areas), len(entries))), np.zeros((len(areas), len(entries)))
    for row in counted:
        place = areas.index(row["care_area"]), entries.index(row["entry"])
        x[place] += int(row["numerator"])
        n[place] += int(row["denominator"])
    enough = (n.sum(axis=1) >= material.site.settings.minimums.starts).tolist()
    found = read_standardised_funnel(areas, x, n, share=True, enough=enough)
    return [*blocks, Text(" ".join(found.sentences)), _picture(material, measure, found)]


def _picture(material: Material, measure: str, found: FunnelReading) -> Picture:
    decimal = material.decimal

    def shown(value: float | None) -> str:
        return "" if value is None else number(float(f"{value:.3g}"), decimal)

    rows = tuple(
        (
            Cell(point.label, area_file(point.label)),
            Cell(whole(round(point.numerator)), value=point.numerator),
            Cell(shown(point.denominator), value=point.denominator),
            Cell(shown(point.value) or "counts only", value=point.value),
            Cell("" if point.outer is None else f"{shown(point.outer[0])} to {shown(point.outer[1])}"),
            Cell({1: "above", -1: "below"}.get(point.beyond_outer, "")),
        )
        for point in found.points
    )
    columns = (
        Column("Care area"),
        Column("Seen", number=True),
        Column("Expected", number=True),
        Column("Seen / expected", number=True),
        Column("99.8 % limits", number=True),
        Column("Beyond"),
    )
    data = Table(columns, rows, " ".join(found.notes))
    noun = _NOUNS[measure]
    name = f"mix-{measure.replace('_', '-')}"
    drawn = draw.funnel(found, name, f"{noun} expected of the area's mix", "seen / expected", 1.0)
    alt = f"{title_of(measure)} of each care area, seen over expected, against how many are expected. "
    title = f"{title_of(measure)}: seen over expected"
    return Picture(name, title, drawn, alt + " ".join(found.sentences), data)
