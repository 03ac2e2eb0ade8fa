"""From the relations of the measures to counts: added up by month, groups and part."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import duckdb

from dripledger.measures.cells import Counts
from dripledger.measures.measure import Form, Measure

Key = tuple[str, ...]
#: (month, groups) -> what was counted.
Found = dict[tuple[str, Key], Counts]

_FOUR: Final = ("numerator", "denominator", "left_out_unknown", "left_out_unable")
_FIVE: Final = (*_FOUR, "left_out_untold")
_SIX: Final = (*_FIVE, "passed_over")
_TWO: Final = ("numerator", "denominator")


@dataclass(frozen=True, slots=True)
class Source:
    """Where the facts of a measure stand.

    Parameters
    ----------
    relation
        The relation.
    shared
        Whether it holds several measures and names them in a column `measure`.
    amounts
        Its columns of numerator, denominator, and what is left out and passed over where it says that.
    cluster
        The column that says which amounts stand together in the interval; empty: none do.
    by_presence
        A source that cannot log what is needed leaves no fact here: that it ran in a cell must be looked up.
    """

    relation: str
    shared: bool = False
    amounts: tuple[str, ...] = _FOUR
    cluster: str = ""
    by_presence: bool = False


_ATTEMPTS: Final = Source("attempt_shares", shared=True, amounts=_FIVE, by_presence=True)
_PUMPS: Final = Source("pump_alarms", shared=True, amounts=_SIX, cluster="cluster")
_TIMES: Final = Source("alarm_times", shared=True, by_presence=True)
_OUTCOMES: Final = Source("attempt_outcomes_met", shared=True, amounts=_FIVE, by_presence=True)
_ALERTS: Final = Source("alert_shares", shared=True, amounts=_FIVE, cluster="cluster", by_presence=True)
_PER_RUNNING_TIME: Final = Source("per_running_time", shared=True, amounts=_SIX, cluster="cluster")
_PER_INFUSION: Final = Source("alerts_per_infusion", shared=True, amounts=_SIX, cluster="cluster")

SOURCES: Final[dict[str, Source]] = {
    "library_use_starts": Source("library_use_starts"),
    "library_use_hours": Source(
        "library_use_hours",
        amounts=("part_us", "whole_us", "left_out_unknown_us", "left_out_unable_us"),
        cluster="infusion_id",
    ),
    "protected_share": Source("protected_share"),
    "soft_alert_share": _ALERTS,
    "hard_alert_share": _ALERTS,
    "soft_alerts_per_100_infusions": _PER_INFUSION,
    "hard_alerts_per_100_infusions": _PER_INFUSION,
    "outcomes_soft": _OUTCOMES,
    "outcomes_hard": _OUTCOMES,
    "override_share": _ATTEMPTS,
    "infusion_override_share": _ATTEMPTS,
    "override_repeat_share": _ATTEMPTS,
    "left_library_share": _ATTEMPTS,
    "far_overrides": _ATTEMPTS,
    "override_under_3s_share": _ATTEMPTS,
    "delivery_alarm_rate": _PER_RUNNING_TIME,
    "pump_alarm_rate": _PUMPS,
    "alarm_minutes": _PUMPS,
    "alarm_time_to_clear": _TIMES,
    "alarm_time_to_first_response": _TIMES,
    "delivery_lost": _PER_RUNNING_TIME,
    "user_rate_changes": _PER_RUNNING_TIME,
    "stale_library_share": Source("stale_library_share"),
    "fleet_coverage": Source("fleet_coverage", amounts=_TWO),
    "log_completeness": Source("log_completeness", amounts=_TWO),
    "unmapped_share": Source("event_quality", shared=True, amounts=_TWO),
    "clock_corrected_share": Source("event_quality", shared=True, amounts=_TWO),
    "quarantine_share": Source("quarantine_share", amounts=_TWO),
    "uncertain_share": Source("uncertain_share", amounts=_TWO),
}


def relations_of(measures: Iterable[str]) -> set[str]:
    """Return the relations that a table of these measures reads, by id."""
    return {SOURCES[name].relation for name in measures} | {"running_hours", "starts", "month_state"}


def read_facts(
    con: duckdb.DuckDBPyConnection,
    measure: Measure,
    groups: tuple[str, ...],
    months: Sequence[str] | None = None,
) -> dict[str, Found]:
    """Read a measure's relation and add it up.

    Parameters
    ----------
    con
        Connection with the relations that `prepare` makes.
    measure
        The measure.
    groups
        The groups of the table; those by which the measure cannot be split are added up.
    months
        The months to read; None: all that the relations hold.

    Returns
    -------
    dict
        Name of a row of the measure -> (month, groups) -> counts.
    """
    source = SOURCES[measure.id]
    own = [g for g in groups if g in measure.groups]
    by_part = sorted({part.column for part in measure.parts if part.column})
    timed = ["duration_us", "seen"] if measure.form is Form.TIMES else []
    cluster = [source.cluster] if source.cluster else []
    keys = ["month", *own, *by_part, *timed, *cluster]
    sums = ", ".join(f"cast(sum({name}) as bigint)" for name in source.amounts)
    told = [f"measure = '{measure.id}'"] if source.shared else []
    if months is not None:
        listed = ", ".join(f"'{month}'" for month in months) or "null"
        told.append(f"month in ({listed})")
    where = f"where {' and '.join(told)}" if told else ""
    listed = ", ".join(keys)
    found = con.execute(
        f"select {listed}, {sums} from {source.relation} {where} group by {listed} order by {listed}"
    ).fetchall()

    rows = measure.rows
    tallies: dict[str, dict[tuple[str, Key], Counts]] = {name: defaultdict(Counts) for name in rows}
    whole: dict[tuple[str, Key], Counts] = tallies.setdefault(measure.id, defaultdict(Counts))
    parts = [(name, part) for name, part in rows.items() if part is not None]
    at = {key: number for number, key in enumerate(keys)}
    for row in found:
        place = (str(row[0]), tuple(row[1 : 1 + len(own)]))
        amounts = [*row[len(keys) :], 0, 0, 0, 0][: len(_SIX)]
        name = row[at[source.cluster]] if source.cluster else None
        ending = (row[at["duration_us"]], row[at["seen"]]) if timed else None
        _add(whole[place], amounts, name, ending)
        for row_name, part in parts:
            if not part.column or row[at[part.column]] == part.value:
                _add(tallies[row_name][place], amounts, name, ending)
    if measure.parts_of_whole and parts:
        nothing = Counts()
        for place, counts in whole.items():
            idle = {name: [0, pair[1]] for name, pair in counts.clusters.items()}
            for row_name, _ in parts:
                tallies[row_name][place] = _of_whole(tallies[row_name].get(place, nothing), counts, idle)
    return {name: dict(tallies[name]) for name in rows}


def read_presence(
    con: duckdb.DuckDBPyConnection, own: tuple[str, ...]
) -> dict[tuple[str, Key], dict[str, int]]:
    """Count the infusions that began or ran: (month, groups) -> source -> infusions."""
    listed = ", ".join(["month", *own])
    columns = ", ".join(dict.fromkeys(["month", "infusion_id", *own, "source"]))
    found = con.execute(
        f"select {listed}, source as of_source, count(distinct infusion_id) from ("
        f"select {columns} from running_hours union all "
        f"select {columns} from starts where counts_as = 'start'"
        f") group by {listed}, of_source order by {listed}, of_source"
    ).fetchall()
    present: dict[tuple[str, Key], dict[str, int]] = {}
    for row in found:
        present.setdefault((row[0], tuple(row[1 : 1 + len(own)])), {})[row[-2]] = row[-1]
    return present


def _add(counts: Counts, amounts: list[int], cluster: str | None, ending: tuple[int, bool] | None) -> None:
    counts.numerator += amounts[0]
    counts.denominator += amounts[1]
    counts.left_out_unknown += amounts[2]
    counts.left_out_unable += amounts[3]
    counts.left_out_untold += amounts[4]
    counts.passed_over += amounts[5]
    if cluster is not None:
        pair = counts.clusters.setdefault(cluster, [0, 0])
        pair[0] += amounts[0]
        pair[1] += amounts[1]
    if ending is not None and ending[0] is not None:
        counts.times.append((*ending, amounts[1]))


def _of_whole(part: Counts, whole: Counts, idle: dict[str, list[int]]) -> Counts:
    """Return the part's numerator over the denominator of the whole; `idle` has its clusters without any."""
    own = {name: [pair[0], idle[name][1]] for name, pair in part.clusters.items() if pair[0]}
    return Counts(
        part.numerator,
        whole.denominator,
        whole.left_out_unknown,
        whole.left_out_unable,
        {**idle, **own} if own else idle,
        part.times,
        left_out_untold=whole.left_out_untold,
        passed_over=whole.passed_over,
    )
