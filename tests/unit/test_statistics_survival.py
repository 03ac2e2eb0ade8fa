"""Kaplan-Meier and its quantiles: by hand, against scipy, and what is refused."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from dripledger.statistics.arrays import ArrayError
from dripledger.statistics.survival import kaplan_meier, survival_quantile


def test_without_censoring_the_curve_is_the_share_left() -> None:
    curve = kaplan_meier([3, 1, 2, 2], [True] * 4)
    assert curve.time.tolist() == [1, 2, 3]
    assert curve.share.tolist() == [0.75, 0.25, 0]
    assert curve.at_risk.tolist() == [4, 3, 1]


def test_a_case_censored_at_the_time_of_an_event_was_at_risk_at_it() -> None:
    """At 2 two are at risk: one cleared, one lost. The share is a half, not none."""
    curve = kaplan_meier([1, 2, 2, 1], [True, True, False, False])
    assert curve.share.tolist() == [0.75, 0.375]


def test_curve_and_pointwise_limits_agree_with_scipy() -> None:
    stats = pytest.importorskip("scipy.stats")
    rng = np.random.Generator(np.random.PCG64(7))
    times, limits = rng.integers(1, 60, 200), rng.integers(1, 90, 200)
    seen = times <= limits
    watched = np.minimum(times, limits).astype(float)
    found = stats.ecdf(stats.CensoredData(uncensored=watched[seen], right=watched[~seen])).sf
    curve = kaplan_meier(watched, seen)
    assert curve.share == pytest.approx(found.evaluate(curve.time))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # at the ends, where the limits are not defined
        limit = found.confidence_interval(0.95, method="log-log")
        quantile, at = survival_quantile(watched, seen), np.unique(watched)
        low, high = limit.low.evaluate(at), limit.high.evaluate(at)
    assert quantile.low == at[np.flatnonzero(low <= 0.5)[0]]
    assert quantile.high == at[np.flatnonzero(high <= 0.5)[0]]


def test_what_was_not_reached_has_no_value() -> None:
    found = survival_quantile([1, 2, 3, 4], [True, False, False, False])
    assert (math.isnan(found.value), math.isnan(found.high)) == (True, True)
    assert math.isnan(survival_quantile([], []).value)


def test_the_order_of_cases_says_nothing() -> None:
    rng = np.random.Generator(np.random.PCG64(1))
    times, seen = rng.integers(0, 20, 50).astype(float), rng.integers(0, 2, 50).astype(bool)
    turn = rng.permutation(50)
    assert survival_quantile(times, seen) == survival_quantile(times[turn], seen[turn])


@pytest.mark.parametrize(
    ("times", "seen", "share", "argument"),
    [([-1], [True], 0.5, "time"), ([math.nan], [True], 0.5, "time"), ([1, 2], [True], 0.5, "seen"),
     ([[1]], [[True]], 0.5, "time"), ([1], [True], 1.0, "share")],
)  # fmt: skip
def test_what_cannot_be_is_refused_by_name(
    times: list[float], seen: list[bool], share: float, argument: str
) -> None:
    with pytest.raises(ArrayError) as told:
        survival_quantile(times, seen, share)
    assert told.value.argument == argument
