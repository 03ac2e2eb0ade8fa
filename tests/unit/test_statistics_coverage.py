"""Intervals cover the truth about as often as they say, by seeded simulation.

Each tolerance is computed from the number of runs: four standard errors of a share of that many, so that a
right interval fails once in some 16,000 seeds. Exact intervals cover at least their level; score intervals
come near it on average over shares; hours and events in clusters need intervals that count clusters.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from dripledger import statistics as st

RUNS = 4000


def generator(seed: int) -> np.random.Generator:
    return np.random.Generator(np.random.PCG64([seed, 2026]))


def doubt(level: float, runs: int = RUNS) -> float:
    """Four standard errors of a measured coverage."""
    return 4 * math.sqrt(level * (1 - level) / runs)


def covered(limits: st.Interval, truth: object) -> float:
    return float(np.mean((limits.low <= truth) & (truth <= limits.high)))


@pytest.mark.parametrize("level", [0.9, 0.95, 0.998])
@pytest.mark.parametrize("n", [20, 150])
def test_score_interval_covers_its_level_on_average_over_shares(n: int, level: float) -> None:
    rng = generator(1)
    share = rng.uniform(0.02, 0.98, RUNS)
    found = covered(st.wilson(rng.binomial(n, share), n, level), share)
    # The score interval itself is off by up to a percent at n = 20, more so far out in the tails.
    assert abs(found - level) <= doubt(level) + 0.01


@pytest.mark.parametrize("share", [0.03, 0.2, 0.9])
def test_exact_and_corrected_intervals_of_a_share_cover_at_least_their_level(share: float) -> None:
    x = generator(2).binomial(60, share, RUNS)
    assert covered(st.clopper_pearson(x, 60), share) >= 0.95 - doubt(0.95)
    assert covered(st.wilson(x, 60, continuity=True), share) >= 0.95 - doubt(0.95)


@pytest.mark.parametrize("mean", [0.5, 4, 40])
def test_exact_interval_of_a_rate_covers_at_least_its_level(mean: float) -> None:
    x = generator(3).poisson(mean, RUNS)
    assert covered(st.garwood(x, 7.0), mean / 7) >= 0.95 - doubt(0.95)


def test_difference_of_shares_covers_its_level_on_average() -> None:
    rng = generator(4)
    p, q = rng.uniform(0.05, 0.95, (2, RUNS))
    found = covered(st.newcombe(rng.binomial(40, p), 40, rng.binomial(90, q), 90), p - q)
    assert abs(found - 0.95) <= doubt(0.95) + 0.01


@pytest.mark.parametrize("ratio", [0.4, 1.0, 3.0])
def test_ratio_of_rates_covers_at_least_its_level(ratio: float) -> None:
    rng = generator(5)
    a, b = rng.poisson(20 * ratio, RUNS), rng.poisson(30, RUNS)
    limits = st.rate_ratio(a, 20, b, 30)
    assert covered(limits, ratio) >= 0.95 - doubt(0.95)


@pytest.mark.parametrize("count", [6, 25, 80])
def test_interval_of_a_median_covers_at_least_its_level_whatever_the_distribution(count: int) -> None:
    values = generator(6).lognormal(0, 1.5, (RUNS, count))
    found = covered(st.median_interval(values), 1.0)
    assert 0.95 - doubt(0.95) <= found <= 0.99


def test_hours_in_clusters_need_clusters() -> None:
    """Shares of hours: infusions are long-tailed and wholly in or out; counting hours is far too sure."""
    rng = generator(7)
    runs, infusions, share = 1500, 250, 0.85
    hours = np.exp(rng.normal(1.0, 0.7, (runs, infusions)))
    part = hours * (rng.random((runs, infusions)) < share)
    group = np.repeat(np.arange(runs), infusions)
    found = st.clustered_share(part.ravel(), hours.ravel(), np.tile(np.arange(infusions), runs), group)
    ours = covered(st.Interval(found.low, found.high), share)
    assert abs(ours - 0.95) <= doubt(0.95, runs) + 0.01
    naive = st.wilson(np.floor(part.sum(1)), np.ceil(hours.sum(1)))
    assert covered(naive, share) < 0.7


def test_standardised_ratio_has_unit_scores_though_areas_are_their_own_reference() -> None:
    """Our derivation of its variance: with it z has mean 0 and spread 1, without it the spread is less."""
    rng = generator(8)
    n = rng.integers(5, 300, (3, 4))
    chance = np.array([0.1, 0.35, 0.6, 0.9])
    z = np.array([st.standardise(rng.binomial(n, chance), n).z for _ in range(RUNS)])
    assert np.abs(z.mean(axis=0)).max() < 4 / math.sqrt(RUNS)
    assert np.abs(z.std(axis=0) - 1).max() < 4 / math.sqrt(2 * RUNS)
    rates = np.array([st.standardise(rng.poisson(n * chance), n, share=False).z for _ in range(RUNS)])
    assert np.abs(rates.std(axis=0) - 1).max() < 4 / math.sqrt(2 * RUNS) + 0.01


@pytest.mark.parametrize("level", [0.95, 0.998])
def test_funnel_limits_hold_what_they_say(level: float) -> None:
    rng = generator(9)
    x = rng.binomial(300, 0.2, 50_000) / 300
    limits = st.funnel_limits(0.2, 300, level)
    inside = float(np.mean((limits.low <= x) & (x <= limits.high)))
    # Counts are whole: what lies between interpolated limits is off by up to one count's chance at either
    # end.
    assert abs(inside - level) <= doubt(level, 50_000) + 0.02 * (1 - level) / 0.05 + 0.001


def test_dispersion_is_found_where_areas_differ_and_is_small_where_they_do_not() -> None:
    rng = generator(10)
    n = np.full(30, 400)
    alike = [st.share_scores(rng.binomial(n, 0.3), n) for _ in range(400)]
    apart = [st.share_scores(rng.binomial(n, rng.beta(30, 70, 30)), n) for _ in range(400)]
    none = np.mean([st.dispersion(s.z, s.sigma).tau2 > 0 for s in alike])
    found = np.array([st.dispersion(s.z, s.sigma).tau2 for s in apart])
    assert none < 0.1
    # The beta's spread on the arcsine scale; winsorising takes about a third off.
    truth = 0.25 / 101
    assert 0.4 * truth < np.median(found) < 1.1 * truth


def test_false_discoveries_are_held_to_what_was_asked() -> None:
    rng = generator(11)
    shares = []
    for _ in range(800):
        z = rng.standard_normal(20)
        z[:4] += 3.5
        found = st.benjamini_hochberg(st.two_sided_p(z)) <= 0.05
        shares.append(found[4:].sum() / max(found.sum(), 1))
    assert np.mean(shares) <= 0.05 + 4 * np.std(shares) / math.sqrt(len(shares))
