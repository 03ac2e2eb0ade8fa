"""Before against after where months differ more than chance: the interval holds what it says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from dripledger.statistics import (
    ArrayError,
    MonthSpread,
    Setting,
    compare_rates,
    compare_shares,
    month_spread,
    newcombe,
    rate_ratio,
)

TRAINING = Setting("the training", (1,), (1,))
ALONE = MonthSpread(1.0, 0)


def test_the_spread_is_that_of_a_contingency_table_for_each_side() -> None:
    before, after, sizes = np.array([31, 44, 60]), np.array([20, 31]), np.full(3, 200)
    whole = sum(
        stats.chi2_contingency([x, n - x], correction=False).statistic
        for x, n in ((before, sizes), (after, sizes[:2]))
    )
    found = month_spread(before, sizes, after, sizes[:2], share=True)
    assert tuple(found) == pytest.approx((whole / 3, 3))


def test_a_side_without_events_or_months_tells_nothing() -> None:
    assert month_spread([0, 0, 0], [9, 9, 9], [4], [7], share=False) == ALONE
    assert month_spread([], [], [5, 5], [5, 5], share=True) == ALONE
    assert tuple(month_spread([0], [0], [2, 8], [10, 10], share=False)) == pytest.approx((3.6, 1))
    with pytest.raises(ArrayError, match="events over no exposure"):
        month_spread([1], [0], [2], [3], share=False)


@pytest.mark.parametrize(("x1", "x2"), [(24, 40), (0, 9), (9, 0), (10291, 9983)])
def test_without_any_spread_the_limits_are_the_plain_ones(x1: int, x2: int) -> None:
    rate = compare_rates(x1, 7.0, x2, 5.0, TRAINING, spread=ALONE)
    assert [rate.low, rate.high] == pytest.approx([float(v) for v in rate_ratio(x2, 5, x1, 7)])
    share = compare_shares(x1, 11_000, x2, 12_000, TRAINING, spread=ALONE)
    limits = newcombe(x2, 12_000, x1, 11_000)
    assert [share.low, share.high] == pytest.approx([float(v) for v in limits])


def test_one_month_on_either_side_proves_nothing() -> None:
    found = compare_rates(20, 10.0, 60, 10.0, TRAINING, spread=ALONE)
    assert found.holds_none is False
    assert found.sentence.endswith(
        "So few months do not tell how much they differ anyway: take it as a question."
    )
    assert any("come in clusters" in caution for caution in found.cautions)


@pytest.mark.parametrize("share", [False, True])
def test_clustered_months_are_covered_where_the_plain_interval_fails(share: bool) -> None:
    """Six months against five that differ by nothing but clusters: four times the variance of chance."""
    rng = np.random.Generator(np.random.PCG64(11))
    ratio, runs, held, plain = 4.0, 800, 0, 0
    for _ in range(runs):
        if share:
            prior = 299 / (ratio - 1) - 1
            x = rng.binomial(300, rng.beta(0.1 * prior, 0.9 * prior, 11))
        else:
            x = rng.poisson(rng.gamma(40 / (ratio - 1), ratio - 1, 11))
        n = np.full(11, 300)
        spread = month_spread(x[:6], n[:6], x[6:], n[6:], share)
        compare = compare_shares if share else compare_rates
        a, b = int(x[:6].sum()), int(x[6:].sum())
        held += bool(compare(a, 1800, b, 1500, TRAINING, spread=spread).holds_none)
        plain += bool(compare(a, 1800, b, 1500, TRAINING).holds_none)
    slack = 3 * (0.95 * 0.05 / runs) ** 0.5
    assert held / runs > 0.95 - slack
    assert plain / runs < 0.8
