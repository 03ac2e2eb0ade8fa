"""From tables to the page of a month: reads relations and the measures' texts, decides nothing anew."""

from __future__ import annotations

from dataclasses import replace
from itertools import count
from typing import Any, Final

import duckdb

from dripledger import __version__
from dripledger.engine import build_relations
from dripledger.measures import (
    DEFINITIONS_VERSION,
    MEASURES,
    ROWS,
    Direction,
    Facts,
    Form,
    Least,
    Measure,
    Month,
    MonthState,
    month_states,
    months_in_store,
    prepare,
    starts_variants,
    tabulate,
)
from dripledger.reports import words
from dripledger.reports.earlier import Earlier, read_earlier
from dripledger.reports.figures import figure, for_people
from dripledger.reports.implausible import odd_list
from dripledger.reports.jobs import jobs
from dripledger.reports.model import (
    Definition,
    Figure,
    Item,
    Missing,
    Page,
    Stamp,
    WindowRow,
)
from dripledger.reports.past import Past
from dripledger.reports.quality import QUALITY, balance, left_out, quality
from dripledger.reports.texts import CAUTIONS, GLOSSARY, NO_AREA_NOTES
from dripledger.site import Site
from dripledger.statistics import wilson
from dripledger.store import Snapshot

#: Months that a report looks at: its own and the year before it.
SPAN = 13
#: Relations that hold all months shown, where the others lack those that were recalled.
OF_ALL_SHOWN: Final = ("month_state", "fleet_coverage")


def stamp(site: Site, snapshot: Snapshot) -> Stamp:
    """Return what an output of this store version is stamped with."""
    at, row = snapshot.committed_at, snapshot.row
    return Stamp(
        facility=site.settings.facility,
        time_zone=site.settings.time_zone,
        store_version=snapshot.version,
        committed_on="" if at is None else at.astimezone(site.zone).date().isoformat(),
        code_version=__version__,
        definitions_version=DEFINITIONS_VERSION,
        declarations_sha256="" if row is None else row.declarations_sha256,
    )


def build(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    month: Month,
    *,
    snapshot: Snapshot | None = None,
    share: bool = False,
) -> Earlier:
    """Make the relations of measures and reports for one month; the store's tables stand in `con`.

    They hold those of the twelve months before it as well that the store knows of and that are not recalled;
    `report_month` names the month itself. Starts under other windows of continuation are of that month alone.

    Parameters
    ----------
    con
        Connection in which the store's tables stand.
    site, month
        The site and the month.
    snapshot
        The store version that the tables are of; None: nothing of it is remembered.
    share
        Whether it is for the form for sharing.

    Returns
    -------
    Earlier
        What the months before those twelve have shown: the limits of the charts rest on the first months of
        all, not on those that happen to be shown.
    """
    known = set(months_in_store(con, site))
    # Of what is known, without a hole: a chart's points are neighbours.
    begins = next(n for n in count(1) if month.plus(-n) not in known)
    months = [month.plus(-n) for n in range(begins - 1, -1, -1)]
    # without a snapshot nothing is remembered, and only those that no page shows are looked at
    past = Past(con, site, months if snapshot is not None else months[:-SPAN], snapshot=snapshot, share=share)
    shown = months[-SPAN:]
    earlier = read_earlier(con, site, months[:-SPAN], past)
    recalled = past.recall(shown)
    anew = [one for one in shown if one not in recalled]
    prepare(con, site, anew, kept=("starts_by_window",), windows=[month])
    if recalled:
        # whether a month is final, and which pumps were heard in it, is told of all months
        prepare(con, site, shown, OF_ALL_SHOWN, windows=[month])
    con.execute("create or replace temp table report_month (month varchar)")
    con.execute("insert into report_month values (?)", [str(month)])
    build_relations(con, "reports")
    return replace(earlier, past=past, recalled={str(one): rows for one, rows in recalled.items()})


def compose(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    month: Month,
    made_from: Stamp,
    given: list[dict[str, Any]] | None = None,
    facts: Facts | None = None,
) -> Page:
    """Compose the page of one month.

    Parameters
    ----------
    con
        Connection in which `build` ran for this month.
    site
        The site.
    month
        The month.
    made_from
        The stamp.
    given
        The table of measures of these months by care area, where it is at hand.
    facts
        What measures were made of, as far as it was read before.

    Returns
    -------
    Page
        The page; all texts are set, nothing is escaped.
    """
    name, decimal = str(month), site.settings.report.decimal
    state = month_states(con, site)[name]
    rows = given if given is not None else tabulate(con, site, [month], ("care_area",)).to_pylist()
    rows = [row for row in rows if row["month"] == name]
    areas = dict.fromkeys(row["care_area"] for row in rows)
    empty = _is_empty(con, name)
    hide = state.reason if state.provisional else ""
    accounts = balance(con)
    single = {
        row["measure"]: figure(row, decimal, hide) for row in rows if not ROWS[row["measure"]][0].groups
    }
    total = {row["measure"]: figure(row, decimal, hide) for row in rows if not row["care_area"]}
    return Page(
        title=site.settings.report.title,
        month=name,
        month_name=words.month_name(name),
        stamp=made_from,
        final=not state.provisional and not empty,
        standing="Nothing." if empty else "Provisional." if state.provisional else "Final.",
        state=_EMPTY if empty else _state_text(state, site),
        jobs=jobs(con, name, state, rows, empty),
        no_area_notes=tuple(NO_AREA_NOTES[area] for area in areas if area in NO_AREA_NOTES),
        windows=_windows(con, site, decimal),
        apart=_apart(con, name, decimal),
        odd=odd_list(con, name, decimal),
        fleet=single["fleet_coverage"],
        completeness=total["log_completeness"],
        balance=accounts,
        balanced=all(row.balanced for row in accounts),
        quality_titles=tuple(MEASURES[m].title for m in QUALITY),
        quality=quality(con, site, month, decimal, hide, facts),
        left_out=left_out(con, name, decimal),
        missing=_missing(rows, site),
        thresholds=_thresholds(site, decimal),
        definitions=tuple(_definition(m, site) for m in MEASURES.values()),
        cautions=CAUTIONS,
        glossary=GLOSSARY,
    )


_EMPTY = "No event of this month is in the ledger, so there is nothing to measure and nothing to be final."


def _is_empty(con: duckdb.DuckDBPyConnection, month: str) -> bool:
    """Say whether no event, start or running stretch lies in the month."""
    found = con.execute(
        "select (select count(*) from pump_months where month = $1)"
        " + (select count(*) from starts where month = $1)"
        " + (select count(*) from running_stretches where month = $1)",
        [month],
    ).fetchall()
    return not found[0][0]


def _state_text(state: MonthState, site: Site) -> str:
    if state.provisional:
        return f"{state.reason[0].upper()}{state.reason[1:]}.".replace(" %", f"{words.THIN}%")
    if not state.in_service:
        return "No pump was in service or heard in this month."
    who = "pumps in service at its end" if site.pumps is not None else "pumps heard in it (no pumps.csv)"
    heard = f"{words.whole(state.heard_after)} of {words.whole(state.in_service)}"
    told = f"{heard} {who} were heard after the month."
    least = site.settings.thresholds.provisional_share
    if state.heard_after >= least * state.in_service:
        return told
    # the month before said "final from 95 %" with the same pumps silent
    why = "but logs go on past the month after it, and no older month is waited for"
    return f"{told} That is under {100 * least:g}{words.THIN}%, {why}."


def _windows(con: duckdb.DuckDBPyConnection, site: Site, decimal: str) -> tuple[WindowRow, ...]:
    """Start-based shares of the whole facility under three windows of continuation, of the report's month."""
    sums: dict[float, dict[str, list[int]]] = {}
    for row in starts_variants(con, site).to_pylist():
        pair = sums.setdefault(row["window_min"], {}).setdefault(row["measure"], [0, 0])
        pair[0] += row["numerator"]
        pair[1] += row["denominator"]
    own = site.settings.thresholds.continue_after_stop_s / 60
    return tuple(
        WindowRow(
            window=f"{window:g} min".replace(".", decimal),
            is_site=window == own,
            starts=_plain_share(found["library_use_starts"], site, decimal),
            protected=_plain_share(found["protected_share"], site, decimal),
        )
        for window, found in sorted(sums.items())
    )


def _plain_share(pair: list[int], site: Site, decimal: str) -> Figure:
    part, whole = pair
    counts = f"{words.whole(part)} / {words.whole(whole)}"
    if whole == 0:
        return Figure(status="no_data")
    if whole < site.settings.minimums.starts:
        return Figure(counts=counts, status="small")
    low, high = wilson(part, whole)
    return Figure(
        counts=counts,
        value=words.percent(part / whole, decimal),
        interval=f"{words.points(float(low), decimal)} to {words.points(float(high), decimal)}",
        status="ok",
    )


_APART = {
    "left_midway": ("left the library midway", "a new infusion outside the library; counted as a start"),
    "false_start": ("false starts", "in no start-based figure"),
    "patient_change": ("began with a patient change", "their hours count, they are no starts"),
    "missing": ("start missing from the log", "their hours count, they are no starts"),
    "maintenance": ("in maintenance", "left out of library use and protected share"),
    "training": ("in training", "left out of library use and protected share"),
}


def _apart(con: duckdb.DuckDBPyConnection, month: str, decimal: str) -> tuple[Item, ...]:
    found: dict[str, list[int]] = {}
    for what, infusions, elapsed in con.execute(
        "select what, infusions, elapsed_us from not_counted where month = ? order by what, care_area",
        [month],
    ).fetchall():
        pair = found.setdefault(what, [0, 0])
        pair[0] += infusions
        pair[1] += elapsed
    items = []
    for what, (title, detail) in _APART.items():
        count = found.get(what, [0, 0])[0]
        hours = found.get(f"{what}_hours", [0, 0])[1] / 3_600_000_000
        if hours:
            detail = f"{detail}; {hours:.1f} running hours".replace(".", decimal)
        if count or hours:
            items.append(Item(what=title, count=words.whole(count), detail=detail))
    return tuple(items)


def _missing(rows: list[dict[str, Any]], site: Site) -> tuple[Missing, ...]:
    """Group cells without a value by measure and reason."""
    grouped: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        measure, part = ROWS[row["measure"]]
        # A part lacks a figure where the whole does; where only parts have rows, the first speaks for all.
        speaks = row["measure"] == next(iter(measure.rows)) or measure.form is Form.TIMES
        if not measure.built or row["value"] is not None or not speaks:
            continue
        reason = row["reason"]
        if row["status"] == "small":
            reason = f"counts only: it takes at least {_least(measure, site)}"
        elif row["status"] == "no_data":
            reason = f"no {measure.base} in the month"
        title = measure.row_title(part) if measure.form is Form.TIMES else measure.title
        areas = grouped.setdefault((title, reason), [])
        if row["care_area"] not in areas:
            areas.append(row["care_area"])
    return tuple(
        Missing(
            title=title,
            where=", ".join(area for area in areas if area),
            reason=for_people(reason, site.settings.report.decimal),
        )
        for (title, reason), areas in grouped.items()
    )


def _least(measure: Measure, site: Site) -> str:
    minimums = site.settings.minimums
    if measure.least is Least.STARTS:
        return f"{minimums.starts} {measure.base}"
    if measure.least is Least.PUMP_HOURS:
        return f"{minimums.channel_hours:g} powered-on pump-hours"
    if measure.least is Least.HOURS:
        return f"{minimums.infusions} infusions and {minimums.channel_hours:g} running channel-hours"
    return "none: a count of a whole"


def _definition(measure: Measure, site: Site) -> Definition:
    return Definition(
        id=measure.id,
        title=measure.title,
        question=measure.question,
        numerator=measure.numerator,
        denominator=measure.denominator,
        exclusions=measure.exclusions,
        direction=measure.direction.value
        if measure.direction is not Direction.NONE
        else "none, and no target",
        interval=measure.interval.value,
        least=_least(measure, site),
        comparable=f"{'yes' if measure.comparable else 'no'}: {measure.comparable_why}",
        source=measure.source,
        built=measure.built,
        rows=tuple(measure.rows),
    )


def _thresholds(site: Site, decimal: str) -> tuple[tuple[str, str], ...]:
    limits, minimums = site.settings.thresholds, site.settings.minimums

    def minutes(seconds: float) -> str:
        return f"{seconds / 60:g} min".replace(".", decimal)

    return (
        (
            "a start continues the infusion after a stop or completion",
            f"up to {minutes(limits.continue_after_stop_s)}",
        ),
        ("a start continues the infusion after a pause", f"up to {minutes(limits.continue_after_pause_s)}"),
        (
            "a stop and a start count as one change of rate",
            f"up to {limits.no_gap_s:g} s".replace(".", decimal),
        ),
        ("an infusion is a false start", f"under {limits.false_start_s:g} s".replace(".", decimal)),
        ("a library is out of date", f"over {limits.stale_library_days:g} days".replace(".", decimal)),
        ("a stop by an alarm is long", f"over {minutes(limits.long_stop_s)}"),
        ("a share by starts, programmings, attempts or alarms is given", f"from {minimums.starts} of them"),
        (
            "a share by hours is given",
            f"from {minimums.infusions} infusions and {minimums.channel_hours:g} h",
        ),
        ("a month is final", f"from {100 * limits.provisional_share:g}{words.THIN}% of pumps heard after it"),
    )
