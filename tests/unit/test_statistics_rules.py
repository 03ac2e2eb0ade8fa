"""Signals, by small series whose answer can be seen; and runs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dripledger.statistics import ArrayError, runs, signals
from dripledger.statistics.charts import value_fit
from dripledger.statistics.rules import completions_of, signals_of


def points(sides: np.ndarray) -> list[int]:
    return np.flatnonzero(sides).tolist()


def test_beyond_is_strictly_beyond() -> None:
    found = signals([0, 3, 3.001, -3, -3.001], 0, 1)
    assert found.beyond.tolist() == [0, 0, 1, 0, -1]


def test_seven_on_one_side_are_a_shift_and_six_are_none() -> None:
    assert points(signals([1, *[0.5] * 6, -1], 0, 9).shift) == [0, 1, 2, 3, 4, 5, 6]
    assert points(signals([*[0.5] * 6, -1], 0, 9).shift) == []
    assert signals([-0.5] * 8, 0, 9).shift.tolist() == [-1] * 8


def test_a_point_on_the_centre_breaks_a_shift() -> None:
    assert points(signals([0.5, 0.5, 0.5, 0, 0.5, 0.5, 0.5, 0.5], 0, 9).shift) == []


def test_six_steps_of_one_sign_are_a_trend_and_a_tie_breaks_it() -> None:
    rising = [1, 2, 3, 4, 5, 6, 7]
    assert points(signals([9, *rising, 3], 4, 99).trend) == [1, 2, 3, 4, 5, 6, 7]
    assert signals(rising[::-1], 4, 99).trend.tolist() == [-1] * 7
    assert points(signals(rising[:6], 4, 99).trend) == []
    assert points(signals([1, 2, 3, 4, 4, 5, 6, 7], 4, 99).trend) == []


def test_the_top_of_a_rise_that_falls_again_belongs_to_the_rise() -> None:
    found = signals([1, 2, 3, 4, 5, 6, 7, 6, 5, 4, 3, 2, 1], 4, 99).trend
    assert found.tolist() == [1] * 7 + [-1] * 6


@pytest.mark.parametrize(
    ("values", "flagged"),
    [
        ([2.5, 0.1, 2.5], [0, 2]),
        ([2.5, 2.5, 0.1], [0, 1]),
        ([2.5, 2.5, -0.1], []),  # all three on one side
        ([2.5, 2.5, 0.0], []),
        ([2.5, 2.5], []),  # two are not three successive points
        ([2.5, 3.5, 0.1], []),  # beyond the limit is another rule
        ([2.5, 3.5, 2.5], [0, 2]),
        ([2.0, 2.0, 0.1], []),  # exactly two thirds is not over them
        ([-2.5, -2.1, -0.1], [0, 1]),
        ([2.5, 0.1, 0.1, 2.5], []),
    ],
)
def test_two_of_three_near_a_limit(values: list[float], flagged: list[int]) -> None:
    assert points(signals(values, 0, 1).near) == flagged


def test_no_pattern_reaches_across_segments_or_charts() -> None:
    assert points(signals([0.5] * 10, 0, 9, segment=[0] * 5 + [1] * 5).shift) == []
    assert points(signals(np.full((2, 5), 0.5), 0, 9).shift) == []
    assert points(signals([1, 2, 3, 4, 5, 6, 7, 8], 0, 9, segment=[0] * 4 + [1] * 4).trend) == []
    assert points(signals([2.5, 2.5, 0.1], 0, 1, segment=[0, 1, 1]).near) == []


def test_a_missing_month_is_passed_over() -> None:
    values = [0.5] * 4 + [-9.0] + [0.5] * 3
    missing = [i == 4 for i in range(8)]
    assert points(signals(values, 0, 4, missing=missing).shift) == [0, 1, 2, 3, 5, 6, 7]


series = st.lists(st.integers(-4, 4).map(float), min_size=1, max_size=40)


@settings(deadline=None)
@given(series)
def test_a_series_upside_down_has_the_opposite_signals(values: list[float]) -> None:
    one, other = signals(values, 0, 1.2), signals([-v for v in values], 0, 1.2)
    for a, b in zip(one, other, strict=True):
        assert a.tolist() == (-b).tolist()


def slow_shift(values: list[float]) -> list[int]:
    """Every window of seven, by definition."""
    found = [0] * len(values)
    for i in range(len(values) - 6):
        window = values[i : i + 7]
        for sign in (1, -1):
            if all(sign * v > 0 for v in window):
                found[i : i + 7] = [sign] * 7
    return found


def slow_near(values: list[float], sigma: float) -> list[int]:
    found = [0] * len(values)
    for i in range(len(values) - 2):
        window = values[i : i + 3]
        for sign in (1, -1):
            near = [j for j in range(3) if 2 * sigma < sign * window[j] <= 3 * sigma]
            if all(sign * v > 0 for v in window) and len(near) >= 2:
                for j in near:
                    found[i + j] = sign
    return found


@settings(deadline=None)
@given(series)
def test_rules_agree_with_their_definitions_read_slowly(values: list[float]) -> None:
    found = signals(values, 0, 1.2)
    assert found.shift.tolist() == slow_shift(values)
    assert found.near.tolist() == slow_near(values, 1.2)


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_each_pattern_is_complete_at_one_of_its_points_or_just_after(seed: int) -> None:
    rng = np.random.Generator(np.random.PCG64(seed))
    fit = value_fit(rng.standard_normal(50).cumsum(), np.zeros(50, np.bool_))
    for members, complete in zip(signals_of(fit), completions_of(fit), strict=True):
        assert bool(members.any()) == bool(complete.any())
        if members.any():
            assert np.flatnonzero(complete)[0] >= np.flatnonzero(members)[0]


def test_runs_of_a_series_that_never_crosses() -> None:
    found = runs([1.0] * 12, 0)
    assert (found.longest, found.crossings) == (12, 0)
    assert found.signal
    assert not runs([1.0] * 9, 0).signal  # under ten points nothing is said
    nothing = runs([0.0] * 12, 0)
    assert (nothing.useful, nothing.longest, nothing.crossings) == (0, 0, 0)
    assert not nothing.signal


def test_runs_of_charts_side_by_side() -> None:
    rng = np.random.Generator(np.random.PCG64(5))
    values = np.round(rng.standard_normal((2, 3, 30)), 1)
    found = runs(values, 0)
    assert found.longest.shape == (2, 3)
    for place in np.ndindex(2, 3):
        alone = runs(values[place], 0)
        assert [part[place] for part in found] == [part[()] for part in alone]


@pytest.mark.parametrize(
    ("values", "centre", "sigma", "argument", "position"),
    [
        ([1.0, np.nan], 0, 1, "values", (1,)),
        ([1.0, 2.0], [0, np.inf], 1, "centre", (1,)),
        ([1.0, 2.0], 0, [1, -1], "sigma", (1,)),
        ([1.0, 2.0], [0, 0, 0], 1, "centre", None),
        ([], 0, 1, "values", None),
    ],
)
def test_what_cannot_be_is_named(
    values: object, centre: object, sigma: object, argument: str, position: object
) -> None:
    with pytest.raises(ArrayError) as caught:
        signals(values, centre, sigma)  # type: ignore[arg-type]
    assert (caught.value.argument, caught.value.position) == (argument, position)


def test_runs_refuse_what_cannot_be() -> None:
    for values in ([], [np.nan], 3.0):
        with pytest.raises(ArrayError, match="values"):
            runs(values, 0)  # type: ignore[arg-type]


def test_signals_of_very_many_charts_come_out_the_same() -> None:
    rng = np.random.Generator(np.random.PCG64(6))
    values = rng.standard_normal((900, 24)).cumsum(axis=1)
    many = signals(values, 0, np.full((900, 1), 1.3), segment=np.arange(24) // 9)
    for k in (0, 341, 899):
        alone = signals(values[k], 0, 1.3, segment=np.arange(24) // 9)
        for a, b in zip(many, alone, strict=True):
            assert a[k].tolist() == b.tolist()
