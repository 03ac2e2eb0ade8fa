"""The pages of pumps: alarms of each against its type, and the fleet. Nothing ranks people."""

from __future__ import annotations

from collections import Counter
from typing import Any, Final

from dripledger.reports import draw
from dripledger.reports.blocks import Block, Cell, Column, Heading, Leaf, Picture, Table, Text
from dripledger.reports.cards import cards, changes_block
from dripledger.reports.interruptions import alarm_blocks
from dripledger.reports.material import Material
from dripledger.reports.words import amount, as_words, number, percent, plural, rate, whole
from dripledger.statistics import FunnelReading, read_funnel

Row = dict[str, Any]

#: A pump repeats itself when it raised one kind of alarm so often in the month; common practice, no source.
REPEATS: Final = 5
#: Kinds that every infusion may end with: no pump stands out by them.
_ROUTINE: Final = ("near_end", "end_of_infusion")
#: Running hours under which a pump is not compared; below, one alarm would put it outside.
_LEAST_HOURS: Final = 24


def read_pumps(material: Material) -> list[Row]:
    """Return the pumps of the month."""
    rows: list[Row] = material.con.sql("select * from report_pumps").to_arrow_table().to_pylist()
    return rows


def alarms_leaf(material: Material, pumps: list[Row]) -> Leaf:
    """Compose the page on alarms."""
    blocks: list[Block] = [
        *changes_block(material),
        cards(material, ("delivery_alarm_rate", "pump_alarm_rate", "alarm_minutes", "delivery_lost")),
    ]
    blocks += alarm_blocks(material)
    blocks += [Heading("Each pump against its type", "pumps")]
    if not any(row["running_hours"] >= _LEAST_HOURS for row in pumps):
        blocks.append(Text("No pump ran long enough to be compared."))
    for kind in sorted({row["pump_type"] for row in pumps}):
        blocks += _of_type(material, kind, [row for row in pumps if row["pump_type"] == kind])
    blocks += [Heading("Pumps that repeat themselves", "repeats"), *_repeats(material)]
    return Leaf(
        "alarms.html",
        "Alarms",
        "Delivery alarms in running infusions, alarms of the pumps themselves, and what they cost; by care "
        "area they stand among the care areas.",
        tuple(blocks),
        nav="Alarms",
    )


def _of_type(material: Material, kind: str, pumps: list[Row]) -> list[Block]:
    known = [row for row in pumps if row["running_hours"] > 0]
    if not any(row["running_hours"] >= _LEAST_HOURS for row in known):
        return []
    found = read_funnel(
        [row["pump_id"] for row in known],
        [row["delivery_alarms"] for row in known],
        [float(row["running_hours"]) for row in known],
        share=False,
        comparable=True,
        enough=[row["running_hours"] >= _LEAST_HOURS for row in known],
    )
    title = as_words(kind)
    blocks: list[Block] = [Heading(f"{title[0].upper()}{title[1:]}", f"type-{kind}", 3)]
    blocks.append(Text(_told(found)))
    blocks.append(_picture(material, kind, title, found))
    return blocks


def _told(found: FunnelReading) -> str:
    """Say which pumps lie outside, and whether pumps differ anyway; `read_funnel` speaks of areas."""
    judged = [point for point in found.points if point.value is not None]
    outside = [point for point in judged if point.beyond_outer]
    few = any(note.startswith("Under ") for note in found.notes)
    if not judged:
        return (
            "No pump ran long enough to be compared: under 5 alarms are to be expected of each."
            if few
            else "No pump ran long enough to be compared."
        )
    told = [
        f"{point.label} lies {'above' if point.beyond_outer > 0 else 'below'} the 99.8 % limits: more "
        "than chance "
        "explains."
        for point in outside[:20]
    ] or ["No pump lies beyond the 99.8 % limits."]
    if len(outside) > 20:
        told.append(f"{whole(len(outside) - 20)} more lie beyond them; the figures of the picture name all.")
    if found.tau2:
        told.append(
            f"Pumps differ more than chance explains (dispersion {found.phi:.2f}); the limits are widened."
        )
    if found.guess:
        told.append(f"With {whole(len(judged))} pumps, how much they differ anyway is a guess.")
    if few:
        told.append("Where under 5 alarms are to be expected, a pump is not judged.")
    return " ".join(told)


def _picture(material: Material, kind: str, title: str, found: FunnelReading) -> Picture:
    decimal = material.decimal

    def per_100(value: float | None) -> str:
        return "" if value is None else rate(100 * value, decimal)

    rows = tuple(
        (
            Cell(point.label),
            Cell(whole(round(point.numerator)), value=point.numerator),
            Cell(number(round(point.denominator, 1), decimal), value=point.denominator),
            Cell(per_100(point.value) or "too few to judge", value=point.value),
            Cell("" if point.outer is None else f"{per_100(point.outer[0])} to {per_100(point.outer[1])}"),
            Cell({1: "above", -1: "below"}.get(point.beyond_outer, "")),
        )
        for point in found.points
    )
    data = Table(
        (
            Column("Pump"),
            Column("Delivery alarms", number=True),
            Column("Running hours", number=True),
            Column("Per 100 h", number=True),
            Column("99.8 % limits", number=True),
            Column("Beyond"),
        ),
        rows,
        "Pumps in the order of their names.",
        sortable=True,
    )
    name = f"pumps-{kind}"
    drawn = draw.funnel(found, name, "running hours in the month", "delivery alarms per 100 h", 100.0)
    alt = f"Delivery alarms per 100 running hours of each {title} pump against its running hours. "
    return Picture(name, f"Delivery alarms of each pump, {title}", drawn, alt + _told(found), data)


def _repeats(material: Material) -> list[Block]:
    counts: Counter[tuple[str, str]] = Counter(
        (row["pump_id"], row["alarm_kind"])
        for row in material.lists["alarms"]
        if row["concerns"] != "other" and row["alarm_kind"] not in _ROUTINE
    )
    often = sorted((pump, kind, n) for (pump, kind), n in counts.items() if n >= REPEATS)
    rows = tuple((Cell(pump), Cell(as_words(kind)), Cell(whole(n), value=n)) for pump, kind, n in often)
    table = Table(
        (Column("Pump"), Column("Kind of alarm"), Column("Alarms", number=True)),
        rows[:250],
        f"One kind of alarm {REPEATS} times or more in the month, whatever the pump ran; what "
        "announces the end of an infusion is left out.",
        "None.",
        sortable=True,
    )
    told = f"{whole(len(rows) - 250)} more rows stand there." if len(rows) > 250 else ""
    return [table, Text(told, "Every alarm:", "lists/alarms.csv", "alarms.csv")]


def fleet_leaf(material: Material, pumps: list[Row]) -> Leaf:
    """Compose the page on the fleet: not heard, stale, clock."""
    fleet = material.page.fleet
    lead = (
        f"{fleet.counts} pumps in service sent a log for the month ({fleet.value})."
        if fleet.value
        else f"{fleet.reason or 'no pump was in service'}."
    )
    found = material.con.execute(
        "select pump_id, what from report_silent_pumps inner join report_month using (month) order by pump_id"
    ).fetchall()
    blocks: list[Block] = []
    for what, title, empty in (
        ("silent", "In service, and not heard", "Every pump in service was heard."),
        ("not_listed", "Heard, and not in pumps.csv", "Every pump that was heard is listed."),
    ):
        names = [pump for pump, told in found if told == what]
        if what == "not_listed" and material.site.pumps is None:
            blocks += [
                Heading(title, what),
                Text("There is no pumps.csv, so nothing says which pumps are in service."),
            ]
            continue
        blocks += [
            Heading(f"{title}: {whole(len(names))}", what),
            Table((Column("Pump"),), tuple((Cell(name),) for name in names[:500]), empty=empty),
        ]
    decimal = material.decimal
    stale = [row for row in pumps if row["stale_starts"]]
    blocks += [
        Heading(
            f"Started on an out-of-date library: {whole(len(stale))} {plural(len(stale), 'pump')}", "stale"
        ),
        Table(
            (
                Column("Pump"),
                Column("Model"),
                Column("Newest library used"),
                Column("Such starts", number=True),
                Column("Starts", number=True),
            ),
            tuple(
                (
                    Cell(r["pump_id"]),
                    Cell(r["pump_model"]),
                    Cell(r["library_version"] or "not logged"),
                    Cell(
                        whole(r["stale_starts"]), "lists/stale_library_share.html#by-pump", r["stale_starts"]
                    ),
                    Cell(whole(r["starts"]), value=r["starts"]),
                )
                for r in stale[:250]
            ),
            empty="No pump.",
            sortable=True,
        ),
    ]
    clocks = [row for row in pumps if row["clock_corrected"]]
    blocks += [
        Heading(
            f"Clocks corrected by clocks.csv: {whole(len(clocks))} {plural(len(clocks), 'pump')}", "clocks"
        ),
        Table(
            (
                Column("Pump"),
                Column("Events", number=True),
                Column("Corrected", number=True),
                Column("Share", number=True),
            ),
            tuple(
                (
                    Cell(r["pump_id"]),
                    Cell(whole(r["events"]), value=r["events"]),
                    Cell(whole(r["clock_corrected"]), value=r["clock_corrected"]),
                    Cell(percent(r["clock_corrected"] / r["events"], decimal)),
                )
                for r in clocks[:250]
            ),
            empty="None. 'dripledger clocks estimate' proposes rows where pumps disagree with what "
            "received them.",
            sortable=True,
        ),
        Heading("Every pump", "all"),
        Table(
            (
                Column("Pump"),
                Column("Type"),
                Column("Model"),
                Column("Events", number=True),
                Column("Running hours", number=True),
                Column("Delivery alarms", number=True),
                Column("Pump alarms", number=True),
            ),
            tuple(
                (
                    Cell(r["pump_id"]),
                    Cell(as_words(r["pump_type"])),
                    Cell(r["pump_model"]),
                    Cell(whole(r["events"]), value=r["events"]),
                    Cell(amount(r["running_hours"], decimal), value=float(r["running_hours"])),
                    Cell(
                        whole(r["delivery_alarms"]),
                        "lists/delivery_alarm_rate.html#by-pump" if r["delivery_alarms"] else "",
                        r["delivery_alarms"],
                    ),
                    Cell(
                        whole(r["pump_alarms"]),
                        "lists/pump_alarm_rate.html#by-pump" if r["pump_alarms"] else "",
                        r["pump_alarms"],
                    ),
                )
                for r in pumps[:500]
            ),
            empty="No pump.",
            sortable=True,
        ),
    ]
    left = len(pumps) - 500
    blocks.append(
        Text(
            f"{whole(left)} more stand there." if left > 0 else "",
            "The whole list as a table:",
            "lists/pumps.csv",
            "pumps.csv",
        )
    )
    return Leaf("fleet.html", "The fleet", lead[0].upper() + lead[1:], tuple(blocks), nav="Fleet")
