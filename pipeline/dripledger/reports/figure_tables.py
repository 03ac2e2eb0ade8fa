"""Tables of figures: each with its interval, and its two counts that open the lists behind them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final

from dripledger.reports.blocks import Block, Cell, Column, Table, Text
from dripledger.reports.case_list import area_file
from dripledger.reports.figures import both_counts, shown
from dripledger.reports.material import Material
from dripledger.reports.model import Figure

_SHARE: Final = re.compile(r"\(([^()]*%)\)")


def figure_cell(material: Material, name: str, area: str = "") -> Cell:
    """Set one figure; its counts lead to their lists.

    Parameters
    ----------
    material
        What the report is made of.
    name
        Name of the row in the table of measures.
    area
        Care area; '' is the facility, whose tables say below them, once, what is left out.
    """
    found, row = material.figure(name, area), material.row(name, area)
    note = ""
    if found.status == "not_measurable" and not area:
        # of an area it stands once, among what could not be measured
        note = found.reason
    elif found.value and area and not material.share:
        note = _shortly(found.reason)
    counts = None
    if found.counts:
        part, whole = both_counts(found)
        to_part, to_whole = material.links(name, area)
        counts = (Cell(part, to_part), Cell(whole, to_whole))
    return Cell(
        shown(found),
        value=None if row is None else row["value"],
        note=note,
        beside=found.interval,
        counts=counts,
    )


def by_area(material: Material, columns: Sequence[tuple[str, str]], caption: str = "") -> Table:
    """Return figures by care area, as selected at the pump; the order says nothing.

    Parameters
    ----------
    material
        What the report is made of.
    columns
        Name of the row in the table of measures, and title of the column.
    caption
        Stands over the table.
    """
    return Table(
        (Column("Care area, as selected at the pump"), *(Column(title, number=True) for _, title in columns)),
        tuple(
            (Cell(area, area_file(area)), *(figure_cell(material, name, area) for name, _ in columns))
            for area in material.areas
        ),
        caption,
        "No care area is declared and none was seen.",
    )


def by_part(
    material: Material, first: str, titles: Sequence[str], lines: Sequence[tuple[str, Sequence[str]]]
) -> Table:
    """Return figures of the whole facility: each line names the rows of its columns."""
    return Table(
        (Column(first), *(Column(title, number=True) for title in titles)),
        tuple((Cell(title), *(figure_cell(material, name) for name in names)) for title, names in lines),
        empty="None in the month.",
    )


def left_out(material: Material, names: Iterable[str]) -> list[Block]:
    """Say, once each, what the figures of these rows leave out for the whole facility."""
    told: list[Figure] = [material.figure(name) for name in names]
    reasons = dict.fromkeys(found.reason for found in told if found.value and found.reason)
    return [Text(f"{reason[0].upper()}{reason[1:]}.", quiet=True) for reason in reasons]


def _shortly(reason: str) -> str:
    """Say only how much a figure leaves out: a table of areas has no room to say what each time.

    The whole sentence stands in measures.csv, on the page of the area, and for the facility below the table.
    """
    told = []
    for piece in reason.split("; "):
        share = _SHARE.search(piece)
        if share:
            why = "not recorded" if "do not record" in piece else "not known"
            told.append(f"{share[1]} {why}")
    return f"left out: {', '.join(told)}" if told else reason
