"""Control charts: segments, baselines, months without data, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dripledger import statistics as s
from dripledger.statistics import ArrayError


@st.composite
def charts_of_counts(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Several charts side by side, some months without data, with segments."""
    charts, points = draw(st.integers(1, 4)), draw(st.integers(1, 20))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.Generator(np.random.PCG64(seed))
    n = rng.integers(0, 60, (charts, points)) * (rng.random((charts, points)) > 0.15)
    segment = np.cumsum(rng.random((charts, points)) < 0.15, axis=1)
    return rng.binomial(n, rng.uniform(0, 1)), n, segment


def same(one: s.Chart, other: s.Chart) -> None:
    for a, b in zip(one, other, strict=True):
        np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("make", [s.p_chart, s.u_chart, s.laney_p, s.laney_u])
@settings(deadline=None)
@given(charts_of_counts())
def test_charts_side_by_side_are_the_charts_alone(
    make: Callable[..., s.Chart], drawn: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> None:
    x, n, segment = drawn
    together = make(x, n, segment=segment)
    for k in range(x.shape[0]):
        same(s.Chart(*(part[k] for part in together)), make(x[k], n[k], segment=segment[k]))


@pytest.mark.parametrize("make", [s.p_chart, s.u_chart, s.laney_p, s.laney_u])
@settings(deadline=None)
@given(charts_of_counts())
def test_a_segment_is_a_chart_of_its_own(
    make: Callable[..., s.Chart], drawn: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> None:
    x, n, segment = drawn
    whole = make(x[0], n[0], segment=segment[0])
    for k in np.unique(segment[0]):
        inside = segment[0] == k
        same(s.Chart(*(part[inside] for part in whole)), make(x[0][inside], n[0][inside]))


@settings(deadline=None)
@given(charts_of_counts())
def test_months_without_data_are_passed_over(drawn: tuple[np.ndarray, np.ndarray, np.ndarray]) -> None:
    x, n, _ = drawn
    with_gaps, has = s.laney_p(x[0], n[0]), n[0] > 0
    assert np.isnan(with_gaps.centre[~has]).all()
    assert not with_gaps.signal[~has].any()
    if has.any():
        same(s.Chart(*(part[has] for part in with_gaps)), s.laney_p(x[0][has], n[0][has]))


@settings(deadline=None)
@given(charts_of_counts())
def test_shares_and_their_complements_mirror(drawn: tuple[np.ndarray, np.ndarray, np.ndarray]) -> None:
    x, n, segment = drawn
    one, other = s.p_chart(x, n, segment=segment), s.p_chart(n - x, n, segment=segment)
    np.testing.assert_allclose(one.low, 1 - other.high, atol=1e-12)
    np.testing.assert_array_equal(one.signal, other.signal)


def test_limits_follow_each_month_s_own_denominator() -> None:
    chart = s.p_chart([10, 40], [100, 400])
    assert chart.centre.tolist() == [0.1, 0.1]
    assert chart.high[0] - 0.1 == pytest.approx(2 * (chart.high[1] - 0.1))


def test_all_none_and_all_all_have_limits_on_the_centre_and_no_signal() -> None:
    for x, centre in ((np.zeros(6), 0.0), (np.full(6, 9), 1.0)):
        for make in (s.p_chart, s.laney_p):
            chart = make(x, np.full(6, 9))
            assert chart.centre.tolist() == chart.low.tolist() == chart.high.tolist() == [centre] * 6
            assert not chart.signal.any()
    for make in (s.u_chart, s.laney_u):
        chart = make(np.zeros(6), np.full(6, 2.5))
        assert chart.high.tolist() == [0.0] * 6
        assert not chart.signal.any()


@pytest.mark.parametrize("value", [0.1, 1 / 3, 7.0, -2e-9])
def test_equal_values_are_never_beyond_their_limits(value: float) -> None:
    """A mean of thirteen tenths is not a tenth to the last bit; 'strictly' must not hang on that."""
    chart = s.xmr(np.full(13, value))
    assert not chart.signal.any()
    assert chart.low == pytest.approx(chart.high)


def test_one_point_has_a_centre_and_single_values_no_limits_yet() -> None:
    chart = s.xmr([3.0])
    assert chart.centre[0] == 3
    assert np.isnan(chart.low[0])
    assert not chart.signal[0]
    assert np.isnan(s.laney_p([3], [9]).high[0])
    assert np.isfinite(s.p_chart([3], [9]).high[0])


def test_a_point_left_out_of_the_baseline_joins_no_neighbours() -> None:
    x = np.array([1.0, 2, 50, 51, 2, 1])
    chart = s.xmr(x, baseline=[True, True, False, True, True, True])
    # Ranges that count: 1-2, 51-2, 2-1; the two at the point left out do not.
    assert chart.centre[0] == pytest.approx((1 + 2 + 51 + 2 + 1) / 5)
    assert chart.high[0] - chart.centre[0] == pytest.approx(3 / 1.128 * (1 + 49 + 1) / 3)


def test_a_segment_without_baseline_has_no_limits() -> None:
    chart = s.p_chart([1, 2, 3], [9, 9, 9], baseline=[True, True, False], segment=[0, 0, 1])
    assert np.isnan(chart.centre[2])
    assert np.isnan(chart.high[2])
    assert not chart.signal[2]


def test_missing_single_values_are_passed_over() -> None:
    one = s.xmr([1.0, 99, 2, 4], missing=[False, True, False, False])
    same(s.Chart(*(part[[0, 2, 3]] for part in one)), s.xmr([1.0, 2, 4]))
    assert np.isnan(one.centre[1])


BAD: list[tuple[Callable[..., Any], tuple[Any, ...], dict[str, Any], str, tuple[int, ...] | None]] = [
    (s.p_chart, ([1, -1], [2, 2]), {}, "x", (1,)),
    (s.p_chart, ([1, 3], [2, 2]), {}, "x", (1,)),
    (s.p_chart, ([1, 0.5], [2, 2]), {}, "x", (1,)),
    (s.p_chart, ([1, 1], [2, np.nan]), {}, "n", (1,)),
    (s.p_chart, ([[1, 1], [1, 9]], [[2, 2], [2, 2]]), {}, "x", (1, 1)),
    (s.p_chart, ([], []), {}, "x", None),
    (s.p_chart, (1, 2), {}, "x", None),
    (s.p_chart, ([1, 1], [2, 2, 2]), {}, "n", None),
    (s.p_chart, ([1, 1], [2, 2]), {"segment": [1, 0]}, "segment", (1,)),
    (s.p_chart, ([1, 1], [2, 2]), {"segment": [0.0, 1.0]}, "segment", None),
    (s.p_chart, ([1, 1], [2, 2]), {"segment": [0, 1, 2]}, "segment", None),
    (s.p_chart, ([1, 1], [2, 2]), {"baseline": [0, 1]}, "baseline", None),
    (s.u_chart, ([1, 1], [2, 0]), {}, "x", (1,)),
    (s.u_chart, ([1, 1], [2, -2.5]), {}, "exposure", (1,)),
    (s.laney_p, ([1, 3], [2, 2]), {}, "x", (1,)),
    (s.laney_u, ([1, 1], [2, np.inf]), {}, "exposure", (1,)),
    (s.xmr, ([1, np.nan],), {}, "x", (1,)),
    (s.xmr, ([],), {}, "x", None),
    (s.xmr, ([[1.0, 2.0], [3.0]],), {}, "x", None),
    (s.xmr, ([1.0, 2.0],), {"missing": [0, 1]}, "missing", None),
    (s.xmr, ([1.0, 2.0],), {"missing": [True] * 3}, "missing", None),
    (s.p_chart, ([[1], [1, 1]], [3, 3]), {}, "x", None),
    (s.moving_range_chart, ([1.0],), {}, "x", None),
    (s.ewma, ([1.0, np.inf], 1, 1), {}, "x", (1,)),
    (s.ewma, ([1.0], 1, 0), {}, "sigma", None),
    (s.ewma, ([1.0], 1, 1, 1.5), {}, "weight", None),
    (s.cusum, ([], 1, 0.5, 4), {}, "x", None),
    (s.cusum, ([1.0], 1, -1, 4), {}, "slack", None),
    (s.cusum, ([1.0], 1, 0.5, np.nan), {}, "decision", None),
]


@pytest.mark.parametrize(("make", "values", "options", "argument", "position"), BAD)
def test_what_cannot_be_is_named_with_its_position(
    make: Callable[..., Any], values: tuple[Any, ...], options: dict[str, Any], argument: str, position: Any
) -> None:
    with pytest.raises(ArrayError) as caught:
        make(*values, **options)
    assert caught.value.argument == argument
    assert caught.value.position == position


@pytest.mark.parametrize("make", [s.p_chart, s.u_chart, s.laney_p, s.laney_u])
def test_very_many_charts_are_worked_on_in_blocks_and_come_out_the_same(make: Callable[..., s.Chart]) -> None:
    rng = np.random.Generator(np.random.PCG64(8))
    n = rng.integers(0, 90, (20, 60, 24))
    x = rng.binomial(n, 0.4)
    baseline = np.arange(24) < 12
    many = make(x, n, baseline=baseline)
    assert many.centre.shape == (20, 60, 24)
    for place in ((0, 0), (7, 31), (19, 59)):
        same(s.Chart(*(part[place] for part in many)), make(x[place], n[place], baseline=baseline))


def test_a_wrong_value_in_a_late_block_is_named_with_its_own_position() -> None:
    x = np.ones((3000, 24))
    x[2718, 11] = -1
    for call in (
        lambda: s.p_chart(x, np.full((3000, 24), 9)),
        lambda: s.u_chart(x, 5.0),
        lambda: s.p_chart(x, 9),
    ):
        with pytest.raises(ArrayError) as caught:
            call()
        assert (caught.value.argument, caught.value.position) == ("x", (2718, 11))
    with pytest.raises(ArrayError) as caught:
        s.u_chart(np.ones((3000, 24)), -5.0)
    assert (caught.value.argument, caught.value.position) == ("exposure", ())
