"""Exact intervals, medians, p-values, standardising: edges, properties, and what is refused."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as hs

from dripledger import statistics as st
from dripledger.statistics import ArrayError

quick = settings(deadline=None, max_examples=60)
counts = hs.integers(1, 10**6).flatmap(lambda n: hs.tuples(hs.integers(0, n), hs.just(n)))


@quick
@given(counts)
def test_exact_interval_of_a_share_mirrors_and_holds_the_score_interval_s_share(
    pair: tuple[int, int],
) -> None:
    x, n = pair
    low, high = st.clopper_pearson([x, n - x], [n, n])
    assert low[0] <= x / n <= high[0]
    assert low[0] == pytest.approx(1 - high[1], abs=1e-9)


@quick
@given(counts, counts)
def test_difference_the_other_way_round_has_the_opposite_interval(
    one: tuple[int, int], two: tuple[int, int]
) -> None:
    low, high = st.newcombe(*one, *two)
    other = st.newcombe(*two, *one)
    assert low <= one[0] / one[1] - two[0] / two[1] + 1e-12
    assert -1 - 1e-9 <= low <= high <= 1 + 1e-9
    assert low == pytest.approx(-other.high, abs=1e-12)


@quick
@given(hs.integers(0, 10**5), hs.integers(0, 10**5), hs.floats(0.1, 1e4), hs.floats(0.1, 1e4))
def test_ratio_the_other_way_round_has_the_inverse_interval(a: int, b: int, t: float, u: float) -> None:
    found, other = st.rate_ratio(a, t, b, u), st.rate_ratio(b, u, a, t)
    if a + b == 0:
        assert math.isnan(found.low)
        return
    assert found.low <= found.high
    if found.low > 0:
        assert found.low == pytest.approx(1 / other.high, rel=1e-6)


def test_edges_of_exact_intervals() -> None:
    low, high = st.clopper_pearson([0, 7, 0], [7, 7, 0])
    assert (low[0], high[1]) == (0, 1)
    assert math.isnan(low[2])
    assert high[0] == pytest.approx(1 - 0.025 ** (1 / 7))
    none = st.garwood(0)
    assert none.low == 0
    assert none.high == pytest.approx(-math.log(0.025))
    assert math.isnan(st.garwood(0, 0).high)
    assert st.rate_ratio(0, 1, 5, 1).low == 0
    assert st.rate_ratio(5, 1, 0, 1).high == math.inf
    assert math.isnan(st.rate_ratio(0, 0, 5, 1).low)
    assert st.rate_ratio_p_value(0, 1, 0, 1) == 1
    assert math.isnan(st.rate_ratio_p_value(0, 0, 4, 1))
    assert math.isnan(st.newcombe(0, 0, 1, 2).low)


def test_interval_of_a_median() -> None:
    assert [float(v) for v in st.median_interval([5, 1, 3, 9, 7, 8])] == [1, 9]  # covers 96.9 %
    few = st.median_interval([1.0, 2, 3, 4, 5])  # smallest to largest covers 93.8 %
    assert math.isnan(few.low)
    assert math.isnan(few.high)
    rows = st.median_interval(np.arange(40.0).reshape(2, 20))
    assert rows.low.tolist() == [5, 25]
    assert rows.high.tolist() == [14, 34]


@quick
@given(hs.lists(hs.floats(0, 1), max_size=30))
def test_adjusted_p_values_are_scipy_s(p: list[float]) -> None:
    stats = pytest.importorskip("scipy.stats", reason="scipy is not installed")
    found = st.benjamini_hochberg(p)
    assert found == pytest.approx(stats.false_discovery_control(p) if p else [])


def test_two_sided_p() -> None:
    assert st.two_sided_p([1.959964, -1.959964, 0]) == pytest.approx([0.05, 0.05, 1], abs=1e-7)


def test_funnel_edges() -> None:
    none = st.funnel_limits([0, 1, 0.5], [9, 9, 0])
    assert none.low.tolist()[:2] == none.high.tolist()[:2] == [0, 1]
    assert math.isnan(none.low[2])
    assert st.rate_funnel_limits(0, 5).high == 0
    assert math.isnan(st.rate_funnel_limits(2, 0).high)
    assert math.isnan(st.ratio_funnel_limits(0).low)
    assert st.dispersion([3.0], [0.1]).tau2 == 0
    for limits in (st.widened_share_limits(0.02, 10, 0.5), st.widened_share_limits(0.98, 10, 0.5)):
        assert 0 <= limits.low <= limits.high <= 1
    assert st.widened_ratio_limits(4, 1.0).low == 0


@quick
@given(hs.floats(0.01, 0.99), hs.integers(1, 5000))
def test_funnel_limits_hold_the_target_and_wider_levels_hold_narrower_ones(target: float, n: int) -> None:
    inner, outer = st.funnel_limits(target, n, 0.95), st.funnel_limits(target, n, 0.998)
    assert 0 <= outer.low <= inner.low <= inner.high <= outer.high <= 1 + 1e-12
    assert inner.low <= target + 1 / n
    assert inner.high >= target - 1 / n


def test_standardising_takes_the_mix_of_entries_out() -> None:
    """Two areas that treat each entry alike differ plainly, and not at all once standardised."""
    n = np.array([[100, 900], [900, 100]])
    x = np.array([[20, 720], [180, 80]])  # 20 % of one entry, 80 % of the other, in both
    found = st.standardise(x, n)
    assert found.ratio == pytest.approx([1, 1])
    assert found.z == pytest.approx([0, 0], abs=1e-9)
    assert found.expected == pytest.approx(x.sum(axis=1))


def test_an_area_alone_with_its_entries_has_nothing_to_be_compared_with() -> None:
    found = st.standardise([[5, 0], [0, 9]], [[10, 0], [0, 10]])
    assert found.ratio == pytest.approx([1, 1])
    assert np.isnan(found.z).all()
    nothing = st.standardise([[0, 0], [0, 9]], [[0, 0], [4, 10]])
    assert np.isnan(nothing.ratio[0])


BAD: list[tuple[Callable[..., Any], tuple[Any, ...], str, tuple[int, ...] | None]] = [
    (st.clopper_pearson, ([3], [2]), "x", (0,)),
    (st.newcombe, (1, 2, [1, 5], [2, 2]), "x2", (1,)),
    (st.newcombe, (1, 2, 1, np.nan), "n2", ()),
    (st.newcombe, ([1, 1], [2, 2], [1, 1, 1], [2, 2, 2]), "x2", None),
    (st.garwood, ([1, -2],), "x", (1,)),
    (st.garwood, ([1, 1.5],), "x", (1,)),
    (st.garwood, ([0, 2], [0, 0]), "x", (1,)),
    (st.garwood, ([0, 2], [1, -1]), "exposure", (1,)),
    (st.rate_ratio, (1, 1, [1, -1], 1), "x2", (1,)),
    (st.rate_ratio, (1, 0, 1, 1), "x1", ()),
    (st.median_interval, ([1, np.inf],), "values", (1,)),
    (st.median_interval, ([],), "values", None),
    (st.median_interval, (3,), "values", None),
    (st.funnel_limits, (1.2, 5), "target", ()),
    (st.funnel_limits, (0.2, [5, 2.5]), "n", (1,)),
    (st.rate_funnel_limits, (-1, 5), "target", ()),
    (st.ratio_funnel_limits, ([1, -1],), "expected", (1,)),
    (st.share_scores, ([1, 0], [2, 0]), "n", (1,)),
    (st.share_scores, ([], []), "n", None),
    (st.share_scores, ([1], [2], 1.5), "target", None),
    (st.ratio_scores, ([1, 1], [2, 0]), "expected", (1,)),
    (st.ratio_scores, ([1, 0], [2, 2], True), "observed", (1,)),
    (st.winsorised, ([],), "z", None),
    (st.winsorised, ([1.0], 0.5), "part", None),
    (st.dispersion, ([1.0, 2.0], [1.0, 0.0]), "sigma", (1,)),
    (st.widened_share_limits, (0.5, [3, 0], 0.1), "n", (1,)),
    (st.widened_share_limits, (1.5, [3], 0.1), "target", None),
    (st.widened_ratio_limits, ([3, 0], 0.1), "expected", (1,)),
    (st.standardise, ([[1, 3]], [[2, 2]]), "x", (0, 1)),
    (st.standardise, ([1], [2]), "x", None),
    (st.standardise, ([[1]], [[2, 2]]), "n", None),
    (st.standardise, ([[1]], [[0.0]], False), "x", (0, 0)),
    (st.benjamini_hochberg, ([0.2, 1.2],), "p", (1,)),
    (st.benjamini_hochberg, ([[0.2]],), "p", None),
    (st.two_sided_p, ([0.2, np.nan],), "z", (1,)),
]


@pytest.mark.parametrize(("make", "values", "argument", "position"), BAD)
def test_what_cannot_be_is_named_with_its_position(
    make: Callable[..., Any], values: tuple[Any, ...], argument: str, position: tuple[int, ...] | None
) -> None:
    with pytest.raises(ArrayError) as caught:
        make(*values)
    assert caught.value.argument == argument
    assert caught.value.position == position
    assert argument in str(caught.value)
