"""The rate interval that counts clusters: by hand, by simulation, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from dripledger.statistics.arrays import ArrayError
from dripledger.statistics.poisson import garwood
from dripledger.statistics.rates import clustered_rate, clustered_ratio


def tail_at(freedom: int) -> float:
    """Chance of a normal value beyond Student's 97.5 % quantile."""
    return float(stats.norm.sf(stats.t.ppf(0.975, freedom)))


def test_by_hand() -> None:
    """4, 0, 1, 3 events in ten hours each: 0.2 an hour; residuals 2, -2, -1, 1; var = 4/3 * 10 / 1600.

    The dispersion is 5/3, so 8 events are worth 4.8; three clusters have any: four degrees of freedom.
    """
    found = clustered_rate([4, 0, 1, 3], [10] * 4, [0, 1, 2, 3])
    assert found.value == pytest.approx(0.2)
    assert found.dispersion == pytest.approx(4 / 3 * 10 / 1600 / (0.2 / 40)) == pytest.approx(5 / 3)
    tail = tail_at(4)
    assert found.low == pytest.approx(stats.chi2.ppf(tail, 2 * 4.8) / 2 * 5 / 3 / 40)
    assert found.high == pytest.approx(stats.chi2.isf(tail, 2 * 4.8 + 2) / 2 * 5 / 3 / 40)


def test_rows_of_one_cluster_are_added_first_and_the_order_says_nothing() -> None:
    whole = clustered_rate([4, 0, 1], [10, 10, 10], [5, 6, 7])
    assert clustered_rate([0, 1, 1, 3], [10, 4, 6, 10], [6, 7, 7, 5])[:3] != whole[:3]
    assert clustered_rate([1, 0, 3, 1], [10, 10, 4, 6], [7, 6, 5, 5]) == whole


def test_evenly_spread_events_are_never_surer_than_independent_ones() -> None:
    """One event in each of 25 clusters: nothing varies, and the interval is that of 25 independent ones."""
    found = clustered_rate([1] * 25, [1] * 25, range(25))
    assert found.dispersion == 0
    exact = garwood(25, 25, 1 - 2 * tail_at(26))
    assert (found.low, found.high) == pytest.approx((float(exact.low), float(exact.high)))
    assert found.low < float(garwood(25, 25).low)
    assert found.high > float(garwood(25, 25).high)
    minutes = clustered_rate([1] * 25, [1] * 25, range(25), counts=False)
    assert (minutes.low, minutes.high) == (1, 1)


def test_no_event_has_the_exact_upper_limit_of_independent_events() -> None:
    """-ln(0.025) / 100 = 0.0369, as a table of the Poisson distribution gives for none (3.69)."""
    found = clustered_rate([0, 0], [50, 50], [0, 1])
    assert (found.value, found.low) == (0, 0)
    assert found.high == pytest.approx(0.03689, abs=1e-5)
    assert math.isnan(clustered_rate([0, 0], [50, 50], [0, 1], counts=False).high)


def test_nothing_to_go_by_has_no_limits() -> None:
    assert math.isnan(clustered_rate([], [], np.array([], int)).value)
    assert math.isnan(clustered_rate([1], [0], [0]).value)
    one = clustered_rate([3], [10], [0])
    assert (one.value, math.isnan(one.low), math.isnan(one.high)) == (0.3, True, True)


def test_the_interval_covers_clustered_events_where_the_plain_one_does_not() -> None:
    """Negative binomial events (dispersion near 6) in 60 clusters of unequal length; 1000 times."""
    rng = np.random.Generator(np.random.PCG64(3))
    covered = plain = 0
    for _ in range(1000):
        hours = rng.uniform(1, 20, 60)
        events = rng.poisson(0.5 * hours * rng.gamma(1, 1, 60))
        found = clustered_rate(events, hours, range(60))
        covered += found.low <= 0.5 <= found.high
        reach = 1.96 / math.sqrt(events.sum())
        plain += found.value * math.exp(-reach) <= 0.5 <= found.value * math.exp(reach)
    assert covered >= 925
    assert plain <= 750


def bursts(
    rng: np.random.Generator, clusters: int, expected: float, size: int
) -> tuple[np.ndarray, np.ndarray]:
    """Events and exposures: bursts of a geometric size, so many expected in all; size 1: single events."""
    hours = rng.gamma(2, 0.5, clusters)
    many = rng.poisson(expected * hours / clusters)
    more = rng.negative_binomial(np.maximum(many, 1), 1 / size) if size > 1 else 0
    return many + np.where(many > 0, more, 0), hours


@pytest.mark.parametrize("expected", [4, 8, 30])
@pytest.mark.parametrize("size", [1, 3])
def test_few_events_are_covered_too(expected: int, size: int) -> None:
    """Each side by itself would be 2.5 %; the whole must not miss by more than chance of 600 runs allows."""
    rng = np.random.Generator(np.random.PCG64(expected + size))
    runs, clusters = 600, 80
    true = expected * size / clusters
    covered = 0
    for _ in range(runs):
        found = clustered_rate(*bursts(rng, clusters, expected, size), range(clusters))
        covered += found.low <= true <= found.high
    assert covered / runs > 0.95 - 4 * math.sqrt(0.95 * 0.05 / runs)


@pytest.mark.parametrize(("before", "after"), [(4, 4), (4, 16), (16, 4), (30, 15)])
def test_ratios_of_few_events_are_covered_on_both_sides(before: int, after: int) -> None:
    rng = np.random.Generator(np.random.PCG64(before * 100 + after))
    runs, clusters, size = 600, 80, 3
    below = above = 0
    for _ in range(runs):
        one, two = (
            clustered_rate(*bursts(rng, clusters, many, size), range(clusters)) for many in (before, after)
        )
        _, low, high = clustered_ratio(two, one)
        below += high < after / before
        above += low > after / before
    least = 0.025 + 4 * math.sqrt(0.025 * 0.975 / runs)
    assert max(below, above) / runs < least


def test_one_cluster_with_all_events_tells_little() -> None:
    """Twelve events of one infusion are worth about one."""
    found = clustered_rate([12] + [0] * 49, [1] * 50, range(50))
    assert found.high / found.value > 5
    assert found.low / found.value < 0.03
    assert math.isfinite(found.high)


@pytest.mark.parametrize(
    ("amount", "exposure", "cluster", "argument"),
    [([-1], [1], [0], "amount"), ([1], [-1], [0], "exposure"), ([1], [1, 2], [0], "exposure"),
     ([1], [1], [0.5], "cluster"), ([1], [1], [0, 1], "cluster"), ([math.inf], [1], [0], "amount")],
)  # fmt: skip
def test_what_cannot_be_is_refused_by_name(
    amount: list[float], exposure: list[float], cluster: list[float], argument: str
) -> None:
    with pytest.raises(ArrayError) as told:
        clustered_rate(amount, exposure, cluster)
    assert told.value.argument == argument


def test_the_ratio_of_unclustered_rates_has_the_interval_of_the_logarithm() -> None:
    """Independent events: ln(ratio) has the variance 1/x1 + 1/x2 (common practice, no source)."""
    rng = np.random.default_rng(7)
    one, two = rng.poisson(0.2, 40_000), rng.poisson(0.1, 40_000)
    after, before = (clustered_rate(x, np.ones(40_000), np.arange(40_000)) for x in (one, two))
    ratio, low, high = clustered_ratio(after, before)
    reach = 1.959964 * math.sqrt(1 / one.sum() + 1 / two.sum())
    assert ratio == pytest.approx(one.sum() / two.sum())
    assert math.log(ratio / low) == pytest.approx(reach, rel=0.02)
    assert math.log(high / ratio) == pytest.approx(reach, rel=0.02)


def test_alerts_that_come_together_widen_the_ratio() -> None:
    apart = clustered_rate([1] * 50, [1] * 50, range(50))
    together = clustered_rate([10] * 5 + [0] * 45, [1] * 50, range(50))
    _, low, high = clustered_ratio(apart, apart)
    _, wide_low, wide_high = clustered_ratio(together, apart)
    assert wide_low < low
    assert wide_high > high


def test_a_side_without_an_event_leaves_one_limit() -> None:
    some = clustered_rate([1] * 25, [1] * 25, range(25))
    none = clustered_rate([0] * 25, [1] * 25, range(25))
    assert clustered_ratio(none, some)[:2] == (0.0, 0.0)
    # no event in 25 uses: at most 3.69 / 25 (the exact limit); over the least that the other side may be
    assert clustered_ratio(none, some)[2] == pytest.approx(3.6889 / 25 / some.low, rel=1e-4)
    ratio, low, high = clustered_ratio(some, none)
    assert (ratio, high) == (math.inf, math.inf)
    assert low == pytest.approx(some.low / (3.6889 / 25), rel=1e-4)
    assert all(math.isnan(value) for value in clustered_ratio(none, none))
