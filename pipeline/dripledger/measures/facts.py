"""From the relations of the measures to counts: added up by month, groups and part."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import duckdb

from dripledger.measures.cells import Clusters, Counts, Shares
from dripledger.measures.measure import Form, Measure, Part
from dripledger.measures.month_facts import Groups, Key, MonthFacts
from dripledger.statistics import ClusterSums

#: (month, groups) -> what was counted.
Found = dict[tuple[str, Key], Counts]
#: The answer to a query, by column.
Columns = dict[str, list[Any]]

_FOUR: Final = ("numerator", "denominator", "left_out_unknown", "left_out_unable")
_FIVE: Final = (*_FOUR, "left_out_untold")
_SIX: Final = (*_FIVE, "passed_over")
_TWO: Final = ("numerator", "denominator")
#: Columns that tell a time apart from another, in a measure of times.
_TIMED: Final = ("duration_us", "seen")


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


class Facts:
    """The facts of measures, each read once: what was read holds while the relations stand as they are.

    Parameters
    ----------
    con
        Connection with the relations that `prepare` makes; after it, make another.
    remembered
        Months that those relations do not hold, with the facts that were kept of them.
    beside
        Measures whose relation holds these months all the same.
    """

    def __init__(
        self,
        con: duckdb.DuckDBPyConnection,
        remembered: Mapping[str, MonthFacts] | None = None,
        beside: Collection[str] = (),
    ) -> None:
        self._con = con
        self._remembered = remembered or {}
        self._beside = frozenset(beside)
        self._read: dict[tuple[str, Groups], tuple[frozenset[str], dict[str, Found]]] = {}
        self._present: dict[Groups, dict[tuple[str, Key], dict[str, int]]] = {}

    def of(self, measure: Measure, groups: Groups, months: Sequence[str]) -> dict[str, Found]:
        """Return what `read_facts` returns of these months.

        Raises
        ------
        KeyError
            If a month is remembered, and what is asked for was not kept of it.
        """
        own, wanted = tuple(g for g in groups if g in measure.groups), frozenset(months)
        gone = frozenset[str]() if measure.id in self._beside else wanted & self._remembered.keys()
        here = wanted - gone
        known, found = self._read.get((measure.id, own), (frozenset[str](), {}))
        if not here <= known or not found:
            known, found = here, read_facts(self._con, measure, groups, sorted(here))
            self._read[measure.id, own] = known, found
        kept = {month: self._remembered[month].counts[measure.id, own] for month in gone}
        if known == wanted:
            return found
        return {
            name: {
                **{place: counts for place, counts in rows.items() if place[0] in here},
                **{(month, key): counts for month in kept for key, counts in kept[month][name].items()},
            }
            for name, rows in found.items()
        }

    def presence(self, own: Groups, months: Sequence[str]) -> dict[tuple[str, Key], dict[str, int]]:
        """Return what `read_presence` returns, at least of these months.

        Raises
        ------
        KeyError
            If a month is remembered, and this was not kept of it.
        """
        if own not in self._present:
            self._present[own] = read_presence(self._con, own)
        kept = {month: self._remembered[month].presence[own] for month in months if month in self._remembered}
        return {
            **self._present[own],
            **{(month, key): dict(here) for month in kept for key, here in kept[month].items()},
        }

    def of_month(
        self, month: str, wanted: Iterable[tuple[Measure, Groups]], places: Iterable[Groups] = ()
    ) -> MonthFacts:
        """Return the facts of one month as they can be kept: of some measures by some groups.

        What ran in a cell stands there for the groups of these measures, and for `places`.
        """
        counts: dict[tuple[str, Groups], dict[str, dict[Key, Counts]]] = {}
        presence: dict[Groups, dict[Key, dict[str, int]]] = {}
        for measure, groups in wanted:
            own = tuple(g for g in groups if g in measure.groups)
            counts[measure.id, own] = {
                name: {key: one for (_, key), one in rows.items()}
                for name, rows in self.of(measure, groups, [month]).items()
            }
        for own in {*places, *(own for _, own in counts)}:
            found = self.presence(own, [month])
            presence[own] = {key: here for (when, key), here in found.items() if when == month}
        return MonthFacts(counts, presence)

    def forget(self) -> None:
        """Give back the memory of what was read."""
        self._read.clear()
        self._present.clear()


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
    table = _answer(con, _query(measure, source, own, months), many=measure.form is Form.TIMES)
    places = list(
        zip(
            table["month"],
            zip(*(table[g] for g in own), strict=True) if own else [()] * len(table["month"]),
            strict=True,
        )
    )
    found: dict[str, Found] = {}
    for number, (name, part) in enumerate(_told(measure).items()):
        found[name] = _counts(table, places, measure, source, number, part is not None)
    return {name: found[name if name in found else measure.id] for name in measure.rows}


def _answer(con: duckdb.DuckDBPyConnection, query: str, *, many: bool) -> Columns:
    """Return what a query gives; only with long lists, `many`, Arrow is worth that it plans a query twice."""
    if many:
        found: Columns = con.sql(query).to_arrow_table().to_pydict()
        return found
    con.execute(query)
    names = [column[0] for column in con.description or ()]
    rows = con.fetchall()
    return {name: [row[place] for row in rows] for place, name in enumerate(names)}


def _told(measure: Measure) -> dict[str, Part | None]:
    """Return what is counted apart: the whole, and each part with a column of its own."""
    apart = {name: part for name, part in measure.rows.items() if part is not None and part.column}
    return {measure.id: None, **apart}


def _query(measure: Measure, source: Source, own: Sequence[str], months: Sequence[str] | None) -> str:
    """Return the SELECT of a row a place, its times as a list.

    The engine adds up: a facility has a row an infusion and month, and Python would take a second for each
    few hundred thousand of them.
    """
    place = ", ".join(["month", *own])
    together = [
        *([source.cluster] if source.cluster else []),
        *(_TIMED if measure.form is Form.TIMES else []),
    ]
    told = [f"measure = '{measure.id}'"] if source.shared else []
    if months is not None:
        listed = ", ".join(f"'{month}'" for month in months) or "null"
        told.append(f"month in ({listed})")
    inner, outer = [], []
    for number, part in enumerate(_told(measure).values()):
        only = "" if part is None else f" filter (where {part.column} = '{part.value}')"
        own_rows = part is None or not measure.parts_of_whole
        amounts = source.amounts if own_rows else source.amounts[:1]
        columns = [(f"a{which}_{number}", f"sum({amount}){only}") for which, amount in enumerate(amounts)]
        if own_rows:
            columns.append((f"rows_{number}", f"count(*){only}"))
        inner += [f"cast(coalesce({sums}, 0) as bigint) as {name}" for name, sums in columns]
        outer += [f"cast(sum({name}) as bigint) as {name}" for name, _ in columns]
        if source.cluster:
            outer += _cluster_sums(number, number if own_rows else 0)
        if measure.form is Form.TIMES and own_rows:
            ended = f"{{'duration_us': duration_us, 'seen': seen, 'cases': a1_{number}}}"
            outer.append(
                f"list({ended} order by duration_us, seen) "
                f"filter (where duration_us is not null and rows_{number} > 0) as times_{number}"
            )
    where = f"where {' and '.join(told)} " if told else ""
    if not together:
        # one row a place as it is: to plan a second grouping takes longer than to read most relations
        told_once = f"select {place}, {', '.join(inner)} from {source.relation}"
        return f"{told_once} {where}group by {place} order by {place}"
    first = ", ".join([place, *together])
    return (
        f"select {place}, {', '.join(outer)} from (select {first}, {', '.join(inner)} from {source.relation} "
        f"{where}group by {first}) group by {place} order by {place}"
    )


def _cluster_sums(number: int, own: int) -> list[str]:
    """Return the columns of what `ClusterSums` holds of a part; the whole alone is told once."""
    part, whole = f"a0_{number}", f"a1_{own}"
    told = {
        "with_part": f"count(*) filter (where {part} > 0)",
        "with_any": f"count(*) filter (where {part} > 0 or {whole} > 0)",
        "part_squared": f"sum(cast({part} as hugeint) * {part})",
        "part_by_whole": f"sum(cast({part} as hugeint) * {whole})",
        "least_part": f"min({part})",
        "least_rest": f"min({whole} - {part})",
    }
    if number == own:
        told["with_whole"] = f"count(*) filter (where {whole} > 0)"
        told["whole_squared"] = f"sum(cast({whole} as hugeint) * {whole})"
        told["least_whole"] = f"min({whole})"
    return [f"{sums} as {name}_{number}" for name, sums in told.items()]


def _counts(
    table: Columns,
    places: Sequence[tuple[str, Key]],
    measure: Measure,
    source: Source,
    number: int,
    apart: bool,
) -> Found:
    """Read what is counted of the whole, or of one part, out of the answer of `_query`.

    Of a part of the whole only the numerator is its own.
    """
    own = 0 if apart and measure.parts_of_whole else number
    amounts = [table[f"a{which}_{own if which else number}"] for which in range(len(source.amounts))]
    amounts += [[0] * len(places)] * (len(_SIX) - len(amounts))
    rows = table[f"rows_{own}"]
    clusters = _clusters(table, number, own) if source.cluster else None
    times = table[f"times_{own}"] if measure.form is Form.TIMES else None
    found: Found = {}
    for row, place in enumerate(places):
        if not rows[row]:
            continue
        found[place] = counts = Counts(*(column[row] for column in amounts))
        if clusters is not None:
            counts.clusters = clusters[row]
        if times is not None:
            counts.times = [(one["duration_us"], one["seen"], one["cases"]) for one in times[row] or ()]
    return found


def _clusters(table: Columns, number: int, own: int) -> list[Clusters]:
    """Return the sums of each row's clusters, to be worked out together."""
    known = {"part": "a0", "whole": "a1"}
    of_whole = ("whole", "with_whole", "whole_squared", "least_whole")
    columns = [
        table[f"{known.get(name, name)}_{own if name in of_whole else number}"]
        for name in ClusterSums._fields
    ]
    sums = [ClusterSums(*row) for row in zip(*columns, strict=True)]
    together = Shares(sums)
    return [Clusters(one, together, place) for place, one in enumerate(sums)]


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
