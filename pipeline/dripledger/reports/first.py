"""The first page: cases and changes first, then the measures that belong together, then what they rest on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from dripledger.library.reviews import told as told_astray
from dripledger.library.reviews import unknown_reviews
from dripledger.reports import words
from dripledger.reports.blocks import Block, Bullets, Cell, Heading, Leaf, Pairs, Text
from dripledger.reports.cards import cards, changes_block, title_of
from dripledger.reports.case_list import HOW_TO_TRACE, KINDS, CaseRow, case_table, farthest, months_of
from dripledger.reports.entries import few_entries, with_page
from dripledger.reports.material import Material
from dripledger.reports.series import History
from dripledger.reports.shown_often import limits_changed, missing_table, outcomes
from dripledger.reports.together import TOGETHER
from dripledger.reports.words import plural, whole
from dripledger.statistics import expected_false_signals

#: Cases on the first page, or a few more where those are all; all stand on the page of cases.
_MOST_CASES: Final = 10
#: Names in a sentence.
_MOST_NAMES: Final = 6
#: For each kind of case: that there is none, in words, and the measure that says what was left out of it.
_NONE_OF: Final = {
    "far_override": ("no override at twice the limit or more", "far_overrides"),
    "left_library": ("no attempt that left the library", "left_library_share"),
    "long_stop": ("no long stop of a high-alert entry", "delivery_lost"),
    "rate_change": ("no fivefold change of rate", "user_rate_changes"),
}


def first_page(material: Material, restated: Sequence[Block]) -> Leaf:
    """Compose the first page.

    Parameters
    ----------
    material
        What the report is made of.
    restated
        What is said of published months that late files have changed.
    """
    page = material.page
    blocks: list[Block] = [
        Heading("In three sentences", "three"),
        Bullets(sentences(material), numbered=True),
    ]
    if material.share:
        blocks.append(
            Text(
                "Months that are hidden count for no chart and no limit of one, so the internal form can say "
                "of a change what this one cannot.",
                quiet=True,
            )
        )
    blocks += _cases(material)
    blocks += restated
    if not material.share:
        blocks += [Heading("What waits for a person", "work"), *_jobs(material)]
    blocks += [
        Heading("The measures that belong together", "together"),
        Text(
            "Each alone can be improved without anybody being safer, so they stand together. Point: "
            "the month; "
            "line through it: 95 % interval; dashed: centre; grey: limits of chance; diamond: more "
            "than chance "
            "explains; hollow: may still change; dotted line with a letter: a change that the site declared."
        ),
        *changes_block(material),
        cards(material, TOGETHER),
        *outcomes(material),
        *limits_changed(material),
    ]
    if not material.share:
        blocks += [
            Heading("The few entries behind most overrides", "entries"),
            *few_entries(material),
        ]
    blocks += _rest(material)
    lead = f"{page.standing} {page.state} {page.cautions[0]} {page.cautions[1]}"
    return Leaf("index.html", page.month_name, lead, tuple(blocks), nav="The month")


def sentences(material: Material) -> tuple[str, str, str]:
    """Say what changed beyond chance, what did not, and what needs a person."""
    moved, still, charts = [], [], []
    too_few = 0
    for measure in TOGETHER:
        for area in ("", *material.areas):
            found = material.history(measure, area)
            newest = found.reading.points[-1]
            if newest.value is None or newest.provisional:
                continue
            if not found.can_show:
                too_few += 1
                continue
            charts.append(found.reading.looked_at)
            name = title_of(measure)
            name = f"{name[0].lower()}{name[1:]}"
            if found.signal:
                where = f" in {area}" if area else ""
                moved.append((name + where, bool(area), _side(found)))
            elif not area:
                still.append(name)
    moved.sort(key=lambda one: one[1])
    if not charts and too_few:
        changed = (
            "No chart has enough months yet to show a change: it takes a second month with a figure, "
            "counted from where its limits begin."
        )
        return changed, "Nor can anything be said to have stayed the same.", _needs(material)
    if not charts:
        state = material.states[str(material.month)]
        why = "is provisional" if state.provisional else "has too few data for any figure"
        why = "holds no event" if material.page.standing == "Nothing." else why
        changed = f"The month {why}, so nothing can be said of changes yet."
        same = "Nor can anything be said to have stayed the same."
        return changed, same, _needs(material)
    expected = expected_false_signals(charts).any
    told = [f"{name} ({side})" for name, _, side in moved]
    if moved:
        changed = f"More than chance explains this month: {_listed(told)}."
    else:
        changed = "Nothing this month is more than chance explains."
    changed += (
        f" {whole(len(charts))} charts were looked at; about "
        f"{words.number(round(expected, 1), material.decimal)} would show a signal by chance alone."
    )
    if too_few:
        changed += f" {whole(too_few)} more {plural(too_few, 'has', 'have')} too few months yet to show one."
    if still:
        same = (
            f"No sign of a change for the whole facility in {_listed(still)}; that is no proof that "
            "nothing changed."
        )
    elif all(in_area for _, in_area, _ in moved):
        same = "Of the whole facility no chart has enough data and months yet to show a change."
    else:
        same = "Every measure of the whole facility that has enough data shows a change."
    return changed, same, _needs(material)


def _side(found: History) -> str:
    last = len(found.months) - 1
    patterns = [p for p in found.reading.found if last in p.points]
    return "higher" if patterns[0].side > 0 else "lower"


def _listed(names: Sequence[str]) -> str:
    shown, left = names[:_MOST_NAMES], len(names) - _MOST_NAMES
    text = ", ".join(shown[:-1]) + f" and {shown[-1]}" if len(shown) > 1 and left <= 0 else ", ".join(shown)
    return f"{text}, and {whole(left)} more" if left > 0 else text


def _needs(material: Material) -> str:
    if material.share:
        return "What waits for a person stands in the internal form."
    own, before = _open_cases(material)
    parts = []
    if own:
        parts.append(f"{whole(len(own))} open {plural(len(own), 'case')} of the month")
    if before:
        parts.append(f"{whole(len(before))} of earlier months")
    jobs = material.page.jobs
    if jobs:
        parts.append(f"{whole(len(jobs))} {plural(len(jobs), 'thing')} about the data listed below")
    return f"Needs a person: {_listed(parts)}." if parts else "Nothing waits for a person."


def _open_cases(material: Material) -> tuple[list[CaseRow], list[CaseRow]]:
    still = [case for case in material.cases if case.is_open]
    month = str(material.month)
    return [c for c in still if c.month == month], [c for c in still if c.month < month]


def _cases(material: Material) -> list[Block]:
    month = str(material.month)
    own = [case for case in material.cases if case.month == month]
    _, before = _open_cases(material)
    blocks: list[Block] = [Heading("Cases", "cases")]
    counts = tuple(
        (Cell(whole(n), f"cases.html#{kind}"), title)
        for kind, (title, _) in KINDS.items()
        if (n := sum(case.kind == kind for case in own))
    )
    if material.share:
        return [*blocks, Text("Cases are listed in the internal form only.")]
    if counts:
        blocks.append(Pairs(counts))
        shown = farthest(own, _MOST_CASES)
        blocks.append(case_table(material.site, shown, empty="None.", entries=with_page(material)))
        blocks.append(HOW_TO_TRACE)
        if left := len(own) - len(shown):
            more = f"{whole(left)} more {plural(left, 'case')} of the month"
            told = f"{more}; of each kind the farthest stand here."
            blocks.append(Text(told, href="cases.html", more="All cases"))
    else:
        seen = [none for kind, (none, _) in _NONE_OF.items() if kind not in _left_open(material)]
        blocks.append(Text(f"No case of the month is listed{': ' if seen else ''}{', '.join(seen)}."))
    for kind, why in _left_open(material).items():
        blocks.append(Text(f"{why}.", f"{KINDS[kind][0]}: the logs cannot show all.", quiet=True))
    if before:
        blocks.append(
            Text(
                f"{whole(len(before))} {plural(len(before), 'case')} of earlier months "
                f"{plural(len(before), 'is', 'are')} "
                f"still open ({months_of(before)}).",
                "Carried over.",
                "cases.html#open",
                "Open cases",
            )
        )
    if not material.site.reviews:
        blocks.append(Text("No review is on file (reviews.csv), so every case counts as open.", quiet=True))
    return blocks


def _left_open(material: Material) -> dict[str, str]:
    """Return the kinds of which there may be more cases than are listed, each with why."""
    found = {}
    for kind, (_, measure) in _NONE_OF.items():
        _, left_out, rest = material.figure(measure).reason.partition("left out: ")
        if kind == "long_stop" and material.site.entries is None:
            found[kind] = "There is no entries.csv that says which entries are high-alert"
        elif left_out:
            found[kind] = f"Left out: {rest}"
    return found


def cases_page(material: Material) -> Leaf:
    """Compose the page of all cases: the month's by kind, then the open ones of the months before."""
    month = str(material.month)
    blocks: list[Block] = [HOW_TO_TRACE] if any(c.month == month or c.is_open for c in material.cases) else []
    if astray := told_astray(unknown_reviews(material.con, material.site)):
        blocks.append(Text(astray))
    entries = with_page(material)
    for kind, (title, name) in KINDS.items():
        own = [c for c in material.cases if c.month == month and c.kind == kind]
        blocks.append(Heading(f"{title}: {whole(len(own))}", kind))
        why = _left_open(material).get(kind, "")
        none = "None in the month." if not why else "None is listed."
        if why:
            blocks.append(Text(f"{why}.", "The logs cannot show all.", quiet=True))
        blocks.append(case_table(material.site, own[:250], empty=none, with_kind=False, entries=entries))
        if own:
            more = f"{whole(len(own) - 250)} more stand in it." if len(own) > 250 else ""
            blocks.append(Text(more, "The whole list as a table:", name, name))
    _, open_before = _open_cases(material)
    before = sorted(open_before, key=lambda case: case.on, reverse=True)
    blocks.append(Heading(f"Open from earlier months: {whole(len(before))}", "open"))
    blocks.append(
        case_table(
            material.site,
            before[:250],
            empty="No case of the twelve months before is open.",
            entries=entries,
        )
    )
    more = (
        f"The newest stand here; {whole(len(before) - 250)} older ones stand in the table."
        if len(before) > 250
        else ""
    )
    if before or any(c.month == month for c in material.cases):
        blocks.append(
            Text(more, "Every case of the month and every open one as a table:", "cases.csv", "cases.csv")
        )
    lead = (
        "A case is a question, not a fault: what was meant can only be found out by asking. What a "
        "review finds "
        "goes into reviews.csv (case, disposition, date; no person)."
    )
    return Leaf("cases.html", "Cases", lead, tuple(blocks), nav="Cases")


def _jobs(material: Material) -> list[Block]:
    if not material.page.jobs:
        return [Text("Nothing waits for a person.")]
    items = []
    for job in material.page.jobs:
        names = f" {', '.join(job.names)}{f', {job.more}' if job.more else ''}." if job.names else ""
        items.append((Cell(f"{job.count} {job.what}"), f"{job.how}{'' if material.share else names}"))
    return [Pairs(tuple(items))]


def _rest(material: Material) -> list[Block]:
    page = material.page
    fleet, complete = page.fleet, page.completeness
    coverage = (
        f"{fleet.counts} pumps in service sent a log for the month ({fleet.value})."
        if fleet.value
        else f"{fleet.reason or 'no pump was in service'}."
    )
    seen = (
        f"{complete.counts} numbered records were seen ({complete.value})."
        if complete.value
        else f"{complete.reason or 'no numbered record'}."
    )
    closes = (
        "Every record that was read is accounted for: read = kept + known already + waiting + "
        "ignored by a rule."
        if page.balanced
        else "The balance does not close: run 'dripledger verify' before using any figure of this report."
    )
    blocks: list[Block] = [
        Heading("What the figures rest on", "rests"),
        Pairs(
            (
                (Cell("Fleet coverage", "" if material.share else "fleet.html"), coverage),
                (Cell("Log completeness", "quality.html"), seen),
                (Cell("Ledger balance", "quality.html#balance"), closes),
                (Cell(page.standing.rstrip(".")), page.state),
            )
        ),
        Heading("What could not be measured, and why", "missing"),
        *_missing(material),
    ]
    blocks += [Heading("Cautions", "cautions"), Bullets(page.cautions)]
    return blocks


def _missing(material: Material) -> list[Block]:
    """Name what no source supports; what is only too small or did not happen is counted."""
    page = material.page
    plain = [one for one in page.missing if _is_plain(one.reason)]
    table = missing_table(material, [one for one in page.missing if not _is_plain(one.reason)])
    blocks: list[Block] = [table] if table.rows or not plain else []
    if plain:
        blocks.append(
            Text(
                f"{whole(len(plain))} {'more ' if blocks else ''}"
                f"{plural(len(plain), 'measure shows', 'measures show')} counts only, or "
                f"{plural(len(plain), 'has', 'have')} nothing to measure, in some care areas:",
                href="quality.html#missing",
                more="which, and where",
            )
        )
    return blocks


def _is_plain(reason: str) -> bool:
    return reason.startswith(("counts only", "no "))
