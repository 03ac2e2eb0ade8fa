"""Entries with limit alerts: the few behind most overrides, and a page each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, Final

from dripledger.measures import Month, tabulate
from dripledger.reports.alerts import limit_blocks
from dripledger.reports.behind import BY_ENTRY, page_name
from dripledger.reports.blocks import Block, Cards, Cell, Column, Heading, Leaf, Table, Text
from dripledger.reports.cards import card, changes_block, title_of
from dripledger.reports.case_list import area_file, entry_file
from dripledger.reports.list_rows import form_cells, lineage, when_in_one
from dripledger.reports.material import Material
from dripledger.reports.words import plural, whole

Row = dict[str, Any]

#: The few: entries that hold this share of the overrides together, and at most so many.
_MOST_OF: Final = 0.8
_FEW: Final = 8
_MEASURES: Final = BY_ENTRY
#: Attempts on an entry's page; the whole list is a table beside it.
_LINES: Final = 250


def with_page(material: Material) -> tuple[str, ...]:
    """Return the entries with an attempt in the month, sorted: each has a page."""
    if material.share:
        return ()
    return tuple(sorted({row["entry"] for row in material.lists["attempts"] if row["entry"]}))


def few_entries(material: Material) -> list[Block]:
    """List the few entries behind most overrides of soft limits, high-alert ones apart."""
    attempts = [r for r in material.lists["attempts"] if r["outcomes_soft"] not in ("", "left out")]
    overridden = Counter(r["entry"] for r in attempts if r["outcome"] == "overridden")
    total = sum(overridden.values())
    if not total:
        return [Text("No soft limit was overridden in the month.")]
    met = Counter(r["entry"] for r in attempts)
    high = {r["entry"] for r in attempts if r["high_alert"] == "yes"}
    chosen: list[str] = []
    covered = 0
    last = 0
    ordered = sorted(overridden.items(), key=lambda one: (-one[1], one[0]))
    for entry, count in ordered:
        # those that have as many as the last one stand with it, as far as there is room
        if len(chosen) == _FEW or (covered >= _MOST_OF * total and count < last):
            break
        chosen.append(entry)
        covered += count
        last = count
    alike = sum(count == last for _, count in ordered[len(chosen) :])
    blocks: list[Block] = [
        Text(
            f"{whole(len(chosen))} of {whole(len(met))} {plural(len(met), 'entry', 'entries')} with a "
            "soft limit alert "
            f"{plural(len(chosen), 'holds', 'hold')} {whole(covered)} of {whole(total)} overrides. A "
            "limit that is "
            "nearly always confirmed past may be set for another practice than this one; what it "
            "should be is for "
            "the organisation's pharmacists and clinicians."
        )
    ]
    if alike:
        blocks.append(
            Text(
                f"{whole(alike)} {plural(alike, 'entry has', 'entries have')} as many overrides as the last "
                f"of these ({whole(last)}) and {plural(alike, 'is', 'are')} not shown here: which of them "
                "stand here follows from their names alone.",
                href="entries.html",
                more="All entries",
            )
        )
    rest = [e for e in chosen if e not in high]
    known = material.site.entries is not None
    mine = [e for e in chosen if e in high]
    if known:
        blocks += [
            Heading("High-alert entries", "few-high", 3),
            _table(material, mine, overridden, met, total),
        ]
    title = "Not flagged high-alert" if known else "Entries (no entries.csv flags high-alert ones)"
    blocks += [Heading(title, "few-other", 3), _table(material, rest, overridden, met, total)]
    return blocks


def _table(
    material: Material, entries: Sequence[str], overridden: Counter[str], met: Counter[str], total: int
) -> Table:
    have = set(with_page(material))
    rows = tuple(
        (
            Cell(entry or "no entry", entry_file(entry) if entry in have else ""),
            Cell(
                whole(overridden[entry]),
                f"{entry_file(entry)}#attempts" if entry in have else "",
                overridden[entry],
            ),
            Cell(whole(met[entry]), f"{entry_file(entry)}#attempts" if entry in have else "", met[entry]),
            Cell(f"{whole(overridden[entry])} of {whole(total)}", value=overridden[entry]),
        )
        for entry in entries
    )
    columns = (
        Column("Entry"),
        Column("Overridden", number=True),
        Column("Attempts that met a soft limit", number=True),
        Column("Of all overrides", number=True),
    )
    return Table(columns, rows, empty="None of these.")


def entry_leaves(material: Material) -> Iterator[Leaf]:
    """Make a page for every entry with limit alerts in the month, and one that names them all."""
    entries = with_page(material)
    months = [Month(*map(int, name.split("-"))) for name in material.months]
    found: dict[tuple[str, str], list[Row]] = {}
    if entries:
        for row in material.earlier.by_entry:
            found.setdefault((row["measure"], row["entry"]), []).append(row)
        own = tabulate(material.con, material.site, months, ("entry",), _MEASURES, read=material.facts)
        for row in own.to_pylist():
            if row["measure"] in _MEASURES:
                found.setdefault((row["measure"], row["entry"]), []).append(row)
    by_entry: dict[str, list[Row]] = {entry: [] for entry in entries}
    for row in material.lists["attempts"]:
        if row["entry"]:
            by_entry[row["entry"]].append(row)
    yield _index(material, by_entry)
    for entry, attempts in by_entry.items():
        histories = {m: material.read_chart(m, found.get((m, entry), []), entry=entry) for m in _MEASURES}
        yield _leaf(material, entry, attempts, histories)


def _index(material: Material, by_entry: dict[str, list[Row]]) -> Leaf:
    rows = []
    for entry, attempts in by_entry.items():
        high = attempts[0]["high_alert"]
        rows.append(
            (
                Cell(entry, entry_file(entry)),
                Cell({"yes": "high-alert", "no": "no"}.get(high, "not listed")),
                *(
                    Cell(whole(n), f"{entry_file(entry)}#attempts" if n else "", n)
                    for n in (
                        len(attempts),
                        sum(r["met_soft"] for r in attempts),
                        sum(r["met_hard"] for r in attempts),
                        sum(r["outcome"] == "overridden" for r in attempts),
                        sum(r["far_overrides"] == "counted" for r in attempts),
                        sum(r["outcome"] == "left_library" for r in attempts),
                    )
                ),
            )
        )
    columns = (
        Column("Entry"),
        Column("Flag"),
        *(
            Column(t, number=True)
            for t in (
                "Attempts",
                "Met a soft limit",
                "Met a hard limit",
                "Overridden",
                "At twice the limit or more",
                "Left the library",
            )
        ),
    )
    return Leaf(
        "entries.html",
        "Entries with limit alerts",
        "One line an entry that warned in the month. Counts, in the order of the names; nothing is ranked.",
        (
            Table(columns, tuple(rows), empty="No entry warned in the month.", sortable=True),
            *limit_blocks(material),
        ),
        nav="Entries",
    )


def _leaf(material: Material, entry: str, attempts: list[Row], histories: dict[str, Any]) -> Leaf:
    soft = [r for r in attempts if r["met_soft"]]
    areas = Counter(r["care_area"] for r in attempts)
    drawn = Cards(
        tuple(
            card(
                material,
                m,
                histories[m],
                "",
                f"{m}-{entry_file(entry)}",
                2 * (f"{page_name(m, '')}#by-entry",),
            )
            for m in _MEASURES
        )
    )
    site = material.site
    lines = tuple(
        (
            when_in_one(site, r["happened_on"], r["shift"]),
            Cell(r["care_area"], area_file(r["care_area"])),
            Cell(r["phase"] or ""),
            *form_cells(site, "attempts", r),
            Cell(r["pump_id"]),
            Cell(lineage(r).text),
        )
        for r in attempts[:_LINES]
    )
    columns = (
        Column("Date, shift", tight=True),
        Column("Care area"),
        Column("When"),
        Column("What"),
        Column("First entered", number=True),
        Column("Confirmed", number=True),
        Column("Limit", number=True),
        Column("Times the limit", number=True),
        Column("Outcome"),
        Column("Pump"),
        Column("Source file / record"),
    )
    left = len(attempts) - len(lines)
    blocks: list[Block] = [
        *changes_block(material),
        drawn,
        Heading("By care area", "areas"),
        Table(
            (Column("Care area"), Column("Attempts", number=True)),
            tuple((Cell(a, area_file(a)), Cell(whole(n), value=n)) for a, n in sorted(areas.items())),
            sortable=True,
        ),
        Heading(f"Attempts of the month: {whole(len(attempts))}", "attempts"),
        Text(
            f"{whole(len(soft))} met a soft limit, {whole(sum(r['met_hard'] for r in attempts))} a "
            "hard one. What a "
            "value should have been stands in no log."
        ),
        Table(columns, lines, sortable=True),
        Text(
            f"{whole(left)} more rows stand there." if left > 0 else "",
            "The whole list as a table:",
            "lists/attempts.csv",
            "attempts.csv",
        ),
    ]
    flag = {"yes": "High-alert by the site's own list. ", "no": ""}.get(attempts[0]["high_alert"], "")
    return Leaf(
        entry_file(entry),
        entry,
        f"{flag}{material.page.month_name}. {title_of('soft_alert_share')}, and what became of the warnings.",
        tuple(blocks),
        up=("entries.html", "Entries"),
    )
