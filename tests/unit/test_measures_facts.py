"""Facts that are read once and cells that are worked out together: the same figures as one by one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from tests.cluster_samples import summed
from tests.measure_samples import site, store
from tests.report_samples import drawn

from dripledger.measures import MEASURES, Facts, Month, calculate, facts, tabulate
from dripledger.measures.cells import Clusters, Counts, Shares
from dripledger.measures.facts import SOURCES, read_facts
from dripledger.measures.month_facts import from_table


def clusters(rng: np.random.Generator, sizes: list[int]) -> list[tuple[np.ndarray, np.ndarray]]:
    made = []
    for size in sizes:
        whole = rng.integers(0, 40, size)
        made.append((np.minimum(rng.integers(0, 40, size), whole), whole))
    return made


def limits(made: list[tuple[np.ndarray, np.ndarray]], together: bool) -> list[tuple[float, float]]:
    sums = [summed(*one) for one in made]
    shares = Shares(sums) if together else None
    return [Clusters(one, shares, place).share() for place, one in enumerate(sums)]


def test_together_is_as_one_by_one_to_the_last_bit() -> None:
    made = clusters(np.random.default_rng(3), [0, 1, 2, 3, 5, 40, 700, 0, 1, 12, 2])
    # none of one kind, and all of it
    made += [(np.zeros(4, np.int64), np.full(4, 7)), (np.full(4, 7), np.full(4, 7))]
    np.testing.assert_array_equal(limits(made, together=True), limits(made, together=False))
    assert sum(low < high for low, high in limits(made, together=True)) > 7


def test_what_cannot_be_is_refused_only_where_it_is_asked_for() -> None:
    made = [summed(np.array([1, 2]), np.array([4, 4])), summed(np.array([9]), np.array([4]))]
    shares = Shares(made)
    assert Clusters(made[0], shares, 0).share() == Clusters(made[0]).share()
    with pytest.raises(ValueError, match="more than whole"):
        Clusters(made[1], shares, 1).share()


def test_the_engine_adds_up_clusters_as_their_rows_do() -> None:
    """What is read of each measure whose rows stand together, against its relation row by row."""
    con, own = store(**drawn(areas=("icu", "ward"), each=8)), site(areas=())
    calculate(con, own, None, MONTHS)
    seen = set()
    for measure in MEASURES.values():
        source = SOURCES.get(measure.id)
        if source is None or not source.cluster:
            continue
        only = f"where measure = '{measure.id}'" if source.shared else ""
        for asked in (("care_area",), ()):
            groups = [group for group in asked if group in measure.groups]
            for name, rows in read_facts(con, measure, asked).items():
                part = measure.rows[name]
                of_part = "" if part is None else f" filter (where {part.column} = '{part.value}')"
                of_whole = "" if measure.parts_of_whole else of_part
                place = ", ".join(["month", *groups])
                told: dict[Any, list[tuple[int, int]]] = {}
                for *key, one, other in con.execute(
                    f"select {place}, coalesce(sum({source.amounts[0]}){of_part}, 0)::bigint, "
                    f"coalesce(sum({source.amounts[1]}){of_whole}, 0)::bigint "
                    f"from {source.relation} {only} group by {place}, {source.cluster}"
                ).fetchall():
                    told.setdefault((key[0], tuple(key[1:])), []).append((one, other))
                for key, counts in rows.items():
                    assert counts.clusters.sums == summed(*np.array(told[key], np.int64).T), (name, key)
                    if counts.clusters.sums.with_part > 1:
                        seen.add(measure.id)
    assert {"library_use_hours", "soft_alert_share", "delivery_alarm_rate"} <= seen


def test_facts_of_a_month_are_kept_whole() -> None:
    con, own = store(**drawn(areas=("icu", "ward"), each=8)), site(areas=())
    calculate(con, own, None, MONTHS)
    facts = Facts(con)
    wanted = [
        (one, groups) for one in MEASURES.values() if one.built for groups in (("care_area",), (), ("entry",))
    ]
    for month in ("2026-09", "2026-10"):
        made, seen = facts.of_month(month, wanted), set()
        again = from_table(made.as_table())
        assert again.presence == made.presence
        assert again.presence["care_area",]
        assert again.counts.keys() == made.counts.keys()
        for measure, rows in made.counts.items():
            for name, found in rows.items():
                told = again.counts[measure][name]
                assert told.keys() == found.keys()
                for key, counts in found.items():
                    assert plain(told[key]) == plain(counts)
                    seen |= {what for what in ("times", "clusters", "numerator") if plain(counts)[what]}
        assert seen == {"times", "clusters", "numerator"}


def plain(counts: Counts) -> dict[str, Any]:
    return {
        **vars(counts),
        "clusters": counts.clusters.sums,
        "lacking": "",
        "unable_here": 0,
        "infusions_here": 0,
    }


MONTHS = [Month(2026, 9), Month(2026, 10)]


def two_months() -> Any:
    """A unit that ran in September alone, and a ward in both months: a month's own table names the ward."""
    days = [("icu", "09-05"), ("ward", "09-06"), ("ward", "10-07")]
    infusions = [
        {"infusion_id": f"{area}{day}{n}", "care_area": area, "month": f"2026-{day[:2]}", "source_name": "s",
         "started_at": f"2026-{day} 08:00", "ended_at": f"2026-{day} 20:00", "library_use": use}
        for area, day in days
        for n, use in enumerate(["limited"] * 7 + ["bypassed"] * 2)
    ]  # fmt: skip
    return store(infusions=infusions)


def test_tables_of_what_was_read_are_those_of_reading_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    con, own = two_months(), site(areas=())
    calculate(con, own, None, MONTHS)
    asked = [
        (MONTHS, ("care_area",), ("library_use_starts",), MONTHS[1:]),
        (MONTHS, (), None, ()),
        (MONTHS[1:], ("care_area",), None, ()),
        (MONTHS[1:], (), None, ()),
        (MONTHS, ("care_area",), None, ()),
        (MONTHS[1:], ("source",), None, ()),
        (MONTHS[1:], ("source",), None, ()),
    ]
    anew = [tabulate(con, own, *one).to_pylist() for one in asked]
    areas = [{row["care_area"] for row in table} - {""} for table in (anew[2], anew[4])]
    assert areas == [{"ward"}, {"icu", "ward"}]
    queries: list[str] = []
    reading = facts.read_facts
    monkeypatch.setattr(
        facts, "read_facts", lambda con, one, *more: queries.append(one.id) or reading(con, one, *more)
    )
    known = Facts(con)
    counts = []
    for one, table in zip(asked, anew, strict=True):
        assert tabulate(con, own, *one, known).to_pylist() == table
        counts.append(len(queries))
    # what lies in a wider reading is read no more; what was read of October alone is, when both are asked for
    assert 0 < counts[0] < counts[1] == counts[2] == counts[3] < counts[4] < counts[5] == counts[6]
