"""Facts that are read once and cells that are worked out together: the same figures as one by one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from tests.measure_samples import site, store

from dripledger.measures import Facts, Month, calculate, cells, facts, tabulate
from dripledger.measures.cells import Clusters, Shares


def clusters(rng: np.random.Generator, sizes: list[int]) -> list[tuple[np.ndarray, np.ndarray]]:
    made = []
    for size in sizes:
        whole = rng.integers(0, 40, size)
        made.append((np.minimum(rng.integers(0, 40, size), whole), whole))
    return made


def limits(made: list[tuple[np.ndarray, np.ndarray]], together: bool) -> list[tuple[float, float]]:
    part = np.concatenate([one for one, _ in made])
    whole = np.concatenate([one for _, one in made])
    shares = Shares(part, whole, np.array([len(one) for one, _ in made])) if together else None
    return [Clusters(one, other, shares, place).share() for place, (one, other) in enumerate(made)]


def test_together_is_as_one_by_one_to_the_last_bit() -> None:
    made = clusters(np.random.default_rng(3), [0, 1, 2, 3, 5, 40, 700, 0, 1, 12, 2])
    # none of one kind, and all of it
    made += [(np.zeros(4, np.int64), np.full(4, 7)), (np.full(4, 7), np.full(4, 7))]
    np.testing.assert_array_equal(limits(made, together=True), limits(made, together=False))
    assert sum(low < high for low, high in limits(made, together=True)) > 7


def test_many_clusters_are_worked_out_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cells, "_TOGETHER", 10)
    made = clusters(np.random.default_rng(4), [6, 6])
    assert Shares(*map(np.concatenate, zip(*made, strict=True)), np.array([6, 6])).limits is None
    np.testing.assert_array_equal(limits(made, together=True), limits(made, together=False))


def test_what_cannot_be_is_refused_only_where_it_is_asked_for() -> None:
    made = [(np.array([1, 2]), np.array([4, 4])), (np.array([9]), np.array([4]))]
    shares = Shares(np.array([1, 2, 9]), np.array([4, 4, 4]), np.array([2, 1]))
    assert Clusters(*made[0], shares, 0).share() == Clusters(*made[0]).share()
    with pytest.raises(ValueError, match="more than whole"):
        Clusters(*made[1], shares, 1).share()


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
