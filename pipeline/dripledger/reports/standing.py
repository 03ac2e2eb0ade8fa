"""The pages on what figures stand on: the library release, data quality, definitions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from dripledger.reports.behind import page_name
from dripledger.reports.blocks import Block, Bullets, Cell, Column, Heading, Leaf, Pairs, Table, Text
from dripledger.reports.cards import cards, changes_block
from dripledger.reports.material import Material
from dripledger.reports.model import Figure
from dripledger.reports.naming import day
from dripledger.reports.quality import QUALITY, waiting_without_month
from dripledger.reports.share import SHARED
from dripledger.reports.shown_often import limits_changed, missing_table
from dripledger.reports.words import as_words, plural, whole


def library_leaf(material: Material) -> Leaf:
    """Compose the page on the library release."""
    form = material.site.settings.report.dates
    changed = material.con.execute(
        "select library_version, cast(timezone(zone, published_at) as date), care_area, entry, what, limits"
        " from report_limits_changed cross join measure_settings order by 2 desc, 1, 3, 4, 5"
    ).fetchall()
    used = material.con.execute(
        "select coalesce(library_version, '') as version, count(*), cast(sum(case when is_stale then "
        "1 else 0 end)"
        " as bigint), count(distinct pump_id), bool_or(is_known) from start_releases inner join report_month"
        " using (month) group by version order by version"
    ).fetchall()
    blocks: list[Block] = [
        *changes_block(material),
        cards(material, ("stale_library_share", "protected_share")),
        *limits_changed(material, leads_on=False),
        Heading("Versions that starts of the month ran on", "versions"),
    ]
    lead = (
        "What was released, what it changed, and what pumps ran on. Limits are set by the "
        "organisation's pharmacists "
        "and licensed clinicians; this page does not say what they should be."
    )
    if material.share:
        # counts by version would give back hidden ones by subtraction
        names = tuple((Cell(v or "not logged"),) for v, *_ in used)
        blocks.append(Table((Column("Library"),), names, empty="No start in the month."))
        return Leaf("library.html", "The library release", lead, tuple(blocks), nav="Library")
    starts = page_name("stale_library_share", "")
    blocks += [
        Table(
            (
                Column("Library"),
                Column("Starts", number=True),
                Column("Of these out of date", number=True),
                Column("Pumps", number=True),
            ),
            tuple(
                (
                    Cell(v or "not logged"),
                    Cell(whole(n), starts, n),
                    Cell(whole(stale) if known else "not known", starts if stale else "", stale),
                    Cell(whole(pumps), "fleet.html", pumps),
                )
                for v, n, stale, pumps, known in used
            ),
            f"Out of date: over {material.site.settings.thresholds.stale_library_days:g} days after a "
            "newer release "
            "was available to that model.",
            "No start in the month.",
            sortable=True,
        ),
        Heading("Limits that differ from the version before", "changed"),
        Table(
            (
                Column("Library"),
                Column("Published", tight=True),
                Column("Care area"),
                Column("Entry"),
                Column("What"),
                Column("Limits", number=True),
            ),
            tuple(
                (
                    Cell(v),
                    Cell(day(on, form), value=on.isoformat()),
                    Cell(area or "all"),
                    Cell(entry),
                    Cell(what),
                    Cell(whole(n), value=n),
                )
                for v, on, area, entry, what, n in changed[:500]
            ),
            empty="The library files hold no two versions with a date of publication that differ.",
            sortable=True,
        ),
    ]
    if len(changed) > 500:
        blocks.append(
            Text(f"{whole(len(changed) - 500)} more lines; 'dripledger library compare' names every limit.")
        )
    return Leaf("library.html", "The library release", lead, tuple(blocks), nav="Library")


def quality_leaf(material: Material) -> Leaf:
    """Compose the page on data quality."""
    page = material.page
    # what is shared is about records and pumps; infusions are what was done to a patient
    told = SHARED if material.share else QUALITY
    rows = tuple(
        (
            Cell(r.source if r.balanced else f"{r.source} (does not balance)"),
            *(Cell(t) for t in (r.files, r.read, r.kept, r.duplicates, r.waiting, r.ignored)),
        )
        for r in page.balance
    )
    blocks: list[Block] = [
        Heading("The ledger balance", "balance"),
        Table(
            (
                Column("Source"),
                *(
                    Column(t, number=True)
                    for t in ("Files", "Read", "Kept", "Known already", "Quarantine", "Ignored")
                ),
            ),
            rows,
            "Everything ever read into this store version: read = kept + known already + quarantine "
            "+ ignored by a "
            "rule. Records read are counted on the bytes, independently of the reader.",
            "Nothing was read.",
        ),
        Heading("Data quality of the month, by source", "sources"),
        Table(
            (
                Column("Source"),
                *(
                    Column(t, number=True)
                    for m, t in zip(QUALITY, page.quality_titles, strict=True)
                    if m in told
                ),
            ),
            tuple(
                (
                    Cell(r.source),
                    *(
                        Cell(
                            f.value or _why_not(measure, f),
                            "" if material.share or not f.counts else MADE_OF[measure],
                            note=f.counts,
                        )
                        for measure, f in zip(QUALITY, r.figures, strict=True)
                        if measure in told
                    ),
                )
                for r in page.quality
            ),
            empty="No source has a log in the month.",
        ),
    ]
    if not material.share:
        blocks += [Text(sentence) for sentence in page.left_out]
    if not material.share:
        blocks += _waiting(material)
    blocks += [Heading("What could not be measured, and why", "missing"), missing_table(material)]
    if not material.share:
        blocks += [
            Heading("Readable and implausible", "implausible"),
            Table(
                (
                    Column("What"),
                    Column("Value as logged"),
                    Column("Pump"),
                    Column("Date", tight=True),
                    Column("Shift, hours", tight=True),
                    Column("Events", number=True),
                ),
                tuple(
                    (
                        Cell(r.what),
                        Cell(r.value or "none"),
                        Cell(r.pump),
                        Cell(r.date),
                        Cell(r.shift),
                        Cell(r.events),
                    )
                    for r in page.odd.rows
                ),
                empty="No event of the month fails a check of plausibility.",
            ),
            Text(page.odd.more, "Every such event:", "implausible.csv", "implausible.csv"),
        ]
    lead = "What reached the ledger, what waits, and what no figure can rest on."
    return Leaf("quality.html", "Data quality", lead, tuple(blocks), nav="Data quality")


def _why_not(measure: str, found: Figure) -> str:
    """Say shortly why a source has no figure."""
    if measure == "log_completeness" and found.status == "not_measurable":
        return "its mapping does not declare gapless numbers"
    return found.reason or "none"


#: Where the page says what a figure of data quality is made of, by source.
MADE_OF: Final = {
    "log_completeness": "#numbers",
    "quarantine_share": "#quarantine",
    "unmapped_share": "#labels",
    "clock_corrected_share": "fleet.html#clocks",
    "uncertain_share": "#uncertain",
}
_MOST: Final = 200


def _waiting(material: Material) -> list[Block]:
    waiting = material.con.execute(
        "select q.source, coalesce(p.path, ''), q.source_file_sha256, q.source_record, "
        "array_to_string(q.reasons, ', ') from quarantine_months as q left join source_paths as p "
        "using (source_file_sha256) where q.month in (select month from report_month) "
        "order by q.source, 2, q.source_file_sha256, q.source_record"
    ).fetchall()
    holes = material.con.execute(
        "select source, pump_id, holes, missing from report_number_gaps inner join report_month "
        "using (month) order by source, pump_id"
    ).fetchall()
    doubtful = material.con.execute(
        "select s.source, i.started_on, i.shift, i.care_area, coalesce(i.entry, 'no entry'), i.pump_id "
        "from starts as s inner join report_month as m using (month) inner join report_infusions as i "
        "on s.month = i.month and s.infusion_id = i.infusion_id "
        "where s.uncertain and s.counts_as not in ('maintenance', 'training') "
        "order by s.source, i.started_on, i.shift, s.infusion_id"
    ).fetchall()
    form = material.site.settings.report.dates
    labels = material.con.execute(
        "select word, label, events from report_unmapped_labels inner join report_month using (month)"
        " order by word, label"
    ).fetchall()
    reasons = material.con.execute(
        "select reason, records from report_waiting_reasons inner join report_month using (month)"
        " order by reason"
    ).fetchall()
    return [
        Heading("Records in quarantine: why they wait", "quarantine"),
        Table(
            (Column("Reason"), Column("Records", number=True)),
            tuple((Cell(as_words(reason)), Cell(whole(int(n)), value=int(n))) for reason, n in reasons[:200]),
            "A record with several reasons counts under each. 'dripledger quarantine' shows them.",
            "No record of the month waits.",
        ),
        *_untold(waiting_without_month(material.con)),
        *_listed(
            (Column("Source"), Column("Source file / record"), Column("Why")),
            [
                (
                    Cell(source),
                    Cell(f"{path or sha[:12]}, record {record}", note=sha[:12]),
                    Cell(as_words(why)),
                )
                for source, path, sha, record, why in waiting
            ],
        ),
        Heading("Numbers missing from the pumps' logs", "numbers"),
        *_listed(
            (
                Column("Source"),
                Column("Pump"),
                Column("Gaps", number=True),
                Column("Numbers missing", number=True),
            ),
            [
                (Cell(source), Cell(pump), Cell(whole(n), value=n), Cell(whole(missing), value=missing))
                for source, pump, n, missing in holes
            ],
            "No number is missing, as far as sources declare their numbers to be reliable.",
        ),
        Heading("Infusions that could not be rebuilt without a doubt", "uncertain"),
        *_listed(
            (
                Column("Source"),
                Column("Date", tight=True),
                Column("Shift, hours", tight=True),
                Column("Care area"),
                Column("Entry"),
                Column("Pump"),
            ),
            [
                (
                    Cell(source),
                    Cell(day(on, form), value=on.isoformat()),
                    *(Cell(text) for text in (shift, area, entry, pump)),
                )
                for source, on, shift, area, entry, pump in doubtful
            ],
            "None that began in the month.",
        ),
        Heading("Labels that nobody has filed", "labels"),
        Table(
            (Column("Word"), Column("Label as logged"), Column("Events", number=True)),
            tuple((Cell(word), Cell(label), Cell(whole(n), value=n)) for word, label, n in labels[:200]),
            empty="Every label of the month is filed.",
            sortable=True,
        ),
    ]


def _untold(records: int) -> Iterator[Block]:
    """Say how many wait that no month's report counts."""
    if records:
        yield Text(
            f"{whole(records)} more {plural(records, 'record waits', 'records wait')} in quarantine whose "
            f"month cannot be told; no month's figures count {plural(records, 'it', 'them')}."
        )


def _listed(columns: tuple[Column, ...], rows: list[tuple[Cell, ...]], empty: str = "") -> Iterator[Block]:
    """Show rows, the first of many; nothing at all where there is none and nothing to say of it."""
    if rows or empty:
        yield Table(columns, tuple(rows[:_MOST]), empty=empty, sortable=True)
    if len(rows) > _MOST:
        yield Text(f"{whole(len(rows) - _MOST)} more.")


def definitions_leaf(material: Material, unbuilt: Sequence[Block] = ()) -> Leaf:
    """Compose the definitions out of the measures' declarations; `unbuilt` stands with the settings."""
    page = material.page
    asked = [(d.title, d.id, d.question) for d in page.definitions]
    asked += [
        (
            "What the figures rest on",
            "thresholds",
            "From how many is a share given, what counts as far or late?",
        ),
        ("Words", "words", "What do the words of this report mean?"),
    ]
    blocks: list[Block] = [
        Table(
            (Column("Measure"), Column("What it asks")),
            tuple((Cell(title, f"#{name}"), Cell(question)) for title, name, question in asked),
        )
    ]
    for d in page.definitions:
        built = "" if d.built else " (not calculated yet)"
        blocks += [
            Heading(f"{d.title}{built}", d.id, 2),
            Text(d.question, quiet=True),
            Pairs(
                (
                    (Cell("Counted"), d.numerator),
                    (Cell("Over"), d.denominator),
                    (Cell("Left out"), d.exclusions),
                    (Cell("Good direction"), d.direction),
                    (Cell("95 % interval"), d.interval),
                    (Cell("Least data"), d.least),
                    (Cell("Areas can be compared"), d.comparable),
                    (Cell("Source"), d.source),
                    (Cell("In tables"), ", ".join(d.rows)),
                )
            ),
        ]
    blocks += [
        Heading("What the figures rest on", "thresholds"),
        *unbuilt,
        Pairs(tuple((Cell(value), what) for what, value in page.thresholds)),
        Heading("Words", "words"),
        Pairs(tuple((Cell(word), meaning) for word, meaning in page.glossary)),
        Heading("Cautions", "cautions"),
        Bullets(page.cautions),
    ]
    lead = f"Version {page.stamp.definitions_version} of the definitions, printed from what calculates them."
    return Leaf("definitions.html", "Definitions", lead, tuple(blocks), nav="Definitions")
