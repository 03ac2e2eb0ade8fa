"""Tables that several pages show: outcomes of attempts, limits changed, what could not be measured, areas."""

from __future__ import annotations

from collections.abc import Sequence

from dripledger.measures.limit_definitions import OUTCOME_WORDS
from dripledger.reports import words
from dripledger.reports.blocks import Block, Cell, Column, Heading, Table, Text
from dripledger.reports.cards import title_of
from dripledger.reports.figure_tables import by_area
from dripledger.reports.material import Material, Row
from dripledger.reports.model import Missing
from dripledger.reports.naming import day
from dripledger.reports.together import TOGETHER
from dripledger.reports.words import whole


def outcomes(material: Material, area: str = "") -> list[Block]:
    """Set the two tables of outcomes, of the facility or of one area."""
    blocks: list[Block] = [Heading("What became of attempts", "outcomes", 3)]
    rows = []
    for name, kind in (("outcomes_soft", "soft"), ("outcomes_hard", "hard")):
        found = [material.row(f"{name}_{key}", area) for key in OUTCOME_WORDS]
        cells = [Cell(f"That met a {kind} limit")]
        first = found[0]
        if all(row is None or row["numerator"] is None for row in found):
            status = "no_data" if first is None else first["status"]
            why = {"no_data": "none", "hidden": "hidden"}.get(status, "not measurable")
            rows.append((*cells, Cell(why), *(Cell("") for _ in OUTCOME_WORDS)))
            continue
        total = next(
            row["denominator"] for row in found if row is not None and row["denominator"] is not None
        )
        cells.append(Cell(whole(int(total)), material.links(f"{name}_overridden", area)[1]))
        for key, row in zip(OUTCOME_WORDS, found, strict=True):
            cells.append(_outcome(material, f"{name}_{key}", area, row))
        rows.append(tuple(cells))
    columns = (
        Column("Attempts"),
        Column("In all", number=True),
        *(Column(f"{w[0].upper()}{w[1:]}", number=True) for w in OUTCOME_WORDS.values()),
    )
    blocks.append(
        Table(columns, tuple(rows), "The six outcomes sum to all; none of them has a good direction.")
    )
    return blocks


def _outcome(material: Material, name: str, area: str, row: Row | None) -> Cell:
    if row is None or row["status"] == "hidden" or row["numerator"] is None:
        return Cell("hidden")
    share = "" if row["value"] is None else words.percent(row["value"], material.decimal)
    return Cell(whole(int(row["numerator"])), material.links(name, area)[0], note=share)


def limits_changed(material: Material, *, leads_on: bool = True) -> list[Block]:
    """Say how many limits were changed between library versions in these months; which, if it leads on."""
    found = material.con.execute(
        "select library_version, cast(timezone(zone, published_at) as date), cast(sum(limits) as bigint)"
        " from report_limits_changed cross join measure_settings group by all order by 2, 1"
    ).fetchall()
    first = f"{material.months[0]}-01"
    told = [
        f"{version} ({day(on, material.site.settings.report.dates)}): {whole(n)}"
        for version, on, n in found
        if on.isoformat() >= first
    ]
    text = (
        f"Limits added, removed or changed by each version against the one before it: {'; '.join(told)}."
        if told
        else "No version of the library files of these months differs from the one before it."
    )
    to = ("library.html", "The library release") if leads_on else ("", "")
    return [Text(text, "Limits changed.", *to)]


def missing_table(material: Material, missing: Sequence[Missing] | None = None) -> Table:
    """Return the measures without a figure, with the reason and where; None: all of them."""
    chosen = material.page.missing if missing is None else missing
    rows = tuple(
        (Cell(one.title), Cell(_why(material, one.reason)), Cell(one.where or "the whole facility"))
        for one in chosen
    )
    return Table(
        (Column("Measure"), Column("Why"), Column("Where")),
        rows,
        empty="Nothing that was asked for is beyond what the sources can say.",
    )


def _why(material: Material, reason: str) -> str:
    # what is left out is told with its numbers, and those may be small
    return "left out" if material.share and reason.startswith("left out") else reason


def side_by_side(material: Material) -> Table:
    """Return the areas with the measures that belong together; the order says nothing."""
    measures = [m for m in TOGETHER if m not in ("library_use_hours", "hard_alert_share")]
    return by_area(
        material,
        [(measure, title_of(measure)) for measure in measures],
        "Areas stand in the order of their names; nothing is ranked.",
    )
