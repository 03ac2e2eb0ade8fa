"""Rare counts: limits by predictive chance, runs by how unlikely they are."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, special, stats

from dripledger.statistics import Change, ChartReading, Series, read_chart
from dripledger.statistics.small_counts import (
    LIMIT_TAIL,
    predictive_limits,
    predictive_tails,
    side_coins,
)


def one(value: float) -> np.ndarray:
    return np.array([float(value)])


def events(x: list[int], exposure: float = 1.0, **options: object) -> ChartReading:
    labels = [f"month {k}" for k in range(len(x))]
    given = {"enough": [True] * len(x), **options}
    return read_chart(labels, x, [exposure] * len(x), Series.EVENTS, **given)  # type: ignore[arg-type]


def shares(x: list[int], n: int, **options: object) -> ChartReading:
    labels = [f"month {k}" for k in range(len(x))]
    return read_chart(labels, x, [n] * len(x), Series.COUNTS, enough=[True] * len(x), **options)  # type: ignore[arg-type]


@pytest.mark.parametrize(("x0", "n0", "n"), [(0, 240, 20), (7, 600, 50), (2197, 2200, 200), (3, 9, 40)])
def test_shares_have_the_tails_of_a_beta_binomial(x0: int, n0: int, n: int) -> None:
    x = np.arange(n + 1.0)
    found = predictive_tails(x, one(n), one(x0), one(n0), True)
    oracle = stats.betabinom(n, x0 + 0.5, n0 - x0 + 0.5)
    assert found.at_most == pytest.approx(oracle.cdf(x), abs=1e-9)
    assert found.at_least == pytest.approx(oracle.sf(x - 1), abs=1e-9)


@pytest.mark.parametrize(("x0", "t0", "t"), [(0, 12.0, 1.0), (5, 30.0, 3.0), (40, 12.0, 0.05)])
def test_events_have_the_tails_of_poisson_counts_over_what_their_mean_may_be(
    x0: int, t0: float, t: float
) -> None:
    """By quadrature over the mean, whose density under Jeffreys' prior is gamma of x0 + 1/2."""
    for x in (0, 1, 2, 6):
        found = predictive_tails(one(x), one(t), one(x0), one(t0), False)
        may_be = stats.gamma(x0 + 0.5, scale=1 / t0)

        # In the square root of the mean the density has no pole at 0.
        def at_least(root: float, x: int = x, may_be: object = may_be) -> float:
            mean = root * root
            return float(2 * root * stats.poisson.sf(x - 1, mean * t) * may_be.pdf(mean)) if root else 0.0  # type: ignore[attr-defined]

        area, _ = integrate.quad(at_least, 0, math.sqrt(may_be.ppf(1 - 1e-12)))
        assert found.at_least[0] == pytest.approx(area, abs=1e-6)


def test_a_month_is_outside_its_limits_exactly_where_its_chance_is_small() -> None:
    for n, x0, n0, share in ((20, 0, 240, True), (60, 58 * 11, 660, True), (2.5, 9, 30.0, False)):
        limits = predictive_limits(one(n), one(x0), one(n0), share)
        for x in range(int(n) + 1 if share else 40):
            tails = predictive_tails(one(x), one(n), one(x0), one(n0), share)
            outside = tails.at_least[0] <= LIMIT_TAIL or tails.at_most[0] <= LIMIT_TAIL
            assert outside == bool(x / n > limits.high[0] + 1e-12 or x / n < limits.low[0] - 1e-12)


def test_no_baseline_no_limit() -> None:
    limits = predictive_limits(one(20), one(0), one(0), True)
    assert np.isnan(limits.low[0])
    tails = predictive_tails(one(20), one(20), one(0), one(0), True)
    assert (tails.at_least[0], tails.at_most[0]) == (1, 1)


def test_wider_counts_have_wider_limits() -> None:
    plain, wide = (predictive_limits(one(1), one(24), one(12), False, ratio).high[0] for ratio in (1.0, 2.5))
    assert wide > plain
    assert predictive_limits(one(80), one(24), one(960), True, 2.5).high[0] > 6 / 80


def test_predictive_limits_hold_as_often_as_they_say() -> None:
    """Drawn baselines of 11 months and a 12th: beyond the upper limit at most as often, give or take."""
    rng = np.random.Generator(np.random.PCG64(77))
    draws = 40_000
    for mean in (0.2, 1.0, 4.0):
        base, month = rng.poisson(11 * mean, draws).astype(float), rng.poisson(mean, draws).astype(float)
        tails = predictive_tails(month, np.ones(draws), base, np.full(draws, 11.0), False)
        beyond = float((tails.at_least <= LIMIT_TAIL).mean())
        assert beyond < LIMIT_TAIL + 4 * math.sqrt(LIMIT_TAIL / draws)


def test_the_first_event_after_none_is_no_signal_and_several_are() -> None:
    for many in ([0] * 14 + [1], [0] * 14 + [0, 1]):
        assert not events(many).found
        assert not shares(many, 50).found
    found = events([0] * 14 + [4])
    assert found.sentences == ("month 14 is above what chance explains.",)
    assert found.points[-1].high == 2
    assert "beyond" in shares([0] * 14 + [4], 50).points[-1].signals


def test_months_of_none_below_a_mean_of_a_half_are_no_shift_until_they_are_unlikely() -> None:
    """Mean 0.5: no event in a month has a chance of exp(-0.5); 2^-7 takes 9.7 months of it."""
    base = [0, 1, 1, 1, 0, 0, 0, 0, 0, 1, 1, 1]
    assert sum(base) / 12 == 0.5
    needed = math.ceil(7 * math.log(2) / 0.5)
    assert needed == 10
    calm = [*base, *[0] * (needed - 1)]
    assert not any("shift" in p.signals for p in events(calm).points[12:])
    late = events([*base, *[0] * needed])
    assert "shift" in late.points[-1].signals
    assert late.found[0].side == -1


def test_a_baseline_month_is_held_against_the_others() -> None:
    """Eleven others with one event, in counts as much wider as neighbours were measured to differ."""
    found = events([0, 0, 9, 0, 0, 1, 0, 0, 0, 0, 0, 0])
    assert found.points[2].signals == ("beyond",)
    ratio = float(found.segments[0].dispersion or 0) ** 2
    assert ratio > 1
    chances = [special.betainc(k / ratio, 1 / ratio + 0.5, 1 / 12) for k in range(1, 12)]
    assert found.points[2].high == sum(chance > LIMIT_TAIL for chance in chances)
    assert found.points[0].high > found.points[2].high  # type: ignore[operator]


def test_a_single_month_has_no_limits_and_no_signal() -> None:
    found = events([3], changes=[Change(0, "go-live")])
    assert (found.points[0].low, found.points[0].high, found.points[0].signals) == (None, None, ())


def test_months_with_enough_expected_keep_the_published_limits() -> None:
    """One small month among large ones: only it is judged by exact chance."""
    x, t = [30, 28, 31, 29, 33, 30, 27, 30, 31, 29, 32, 30, 2], [10.0] * 12 + [0.5]
    found = read_chart([f"m{k}" for k in range(13)], x, t, Series.EVENTS, enough=[True] * 13)
    centre = 360 / 120
    assert found.points[0].high == pytest.approx(centre + 3 * math.sqrt(centre / 10))
    assert found.points[12].high == stats.nbinom(360.5, 120 / 120.5).isf(LIMIT_TAIL) / 0.5
    assert found.segments[0].rough
    large = found.segments[0].runs
    assert large is not None
    assert int(large.useful) == sum(count != 30 for count in x[:12])


def test_coins_of_a_side_are_those_of_poisson_and_negative_binomial_counts() -> None:
    centre, up = np.array([0.3, 0.3, 2.5, 4.0]), np.array([False, True, False, True])
    found = side_coins(centre, np.ones(4), up, False, np.ones(4))
    chance = [
        stats.poisson.cdf(0, 0.3),
        stats.poisson.sf(0, 0.3),
        stats.poisson.cdf(2, 2.5),
        stats.poisson.sf(4, 4),
    ]
    assert found == pytest.approx(-np.log2(chance))
    wide = side_coins(centre, np.ones(4), up, False, np.full(4, 2.0))
    draws = [stats.nbinom(m, 0.5) for m in centre]
    chance = [draws[0].cdf(0), draws[1].sf(0), draws[2].cdf(2), draws[3].sf(4)]
    assert wide == pytest.approx(-np.log2(chance))
    other = side_coins(1 - centre[:2] / 50, np.full(2, 50.0), ~up[:2], True, np.ones(2))
    assert other == pytest.approx(found[:2])
