"""Scores of areas that agree with the exact limits of a funnel, and how far those are widened."""

from __future__ import annotations

import numpy as np

from dripledger.statistics import poisson_law
from dripledger.statistics.arrays import Floats
from dripledger.statistics.funnel import (
    INNER,
    OUTER,
    Dispersion,
    Scores,
    dispersion,
    funnel_limits,
    rate_funnel_limits,
    widened_ratio_limits,
    widened_share_limits,
)
from dripledger.statistics.intervals import Interval
from dripledger.statistics.layout import Ints, above
from dripledger.statistics.quantiles import normal_quantile


def exact_scores(x: Floats, size: Floats, target: float, share: bool) -> Scores:
    """Score counts by their exact chance at the target.

    Parameters
    ----------
    x, size
        Counts and denominators (exposures), above 0; shape (areas,).
    target
        Share strictly between 0 and 1, or rate above 0.
    share
        Whether the chance is binomial; else Poisson.

    Returns
    -------
    Scores
        `z`: the normal value with the mid-p chance of the count, P(X < x) + P(X = x) / 2. `sigma`: what
        chance gives on the arcsine scale (of rates: of the square root of the ratio), on which areas are
        taken to differ. `distance` is z sigma.

    Notes
    -----
    Mid-p: Lancaster HO. J Am Stat Assoc 1961;56:223-234, from memory.
    """
    from scipy import special

    if share:
        from scipy import stats

        chance = stats.binom(size, target)
        half = chance.pmf(x) / 2
        low, high = chance.cdf(x - 1) + half, chance.sf(x) + half
    else:
        half = poisson_law.exactly(x, target * size) / 2
        low = poisson_law.at_most(x - 1, target * size) + half
        high = poisson_law.more_than(x, target * size) + half
    # The smaller tail has all its digits.
    tail = np.maximum(np.minimum(low, high), 1e-300)
    z = np.where(low < high, special.ndtri(tail), -special.ndtri(tail))
    sigma = 0.5 / np.sqrt(size if share else target * size)
    return Scores(z * sigma, sigma, z)


def spread_of(scores: Scores) -> Dispersion:
    """Measure how much areas differ; no more than chance (phi at most 1) is not at all."""
    found = dispersion(scores.z, scores.sigma)
    return found if found.phi > 1 else found._replace(tau2=0.0)


def limits_of(size: Floats, target: float, tau2: float, share: bool) -> list[Interval]:
    """Return the inner and the outer limits: exact, or widened where that is further out.

    Parameters
    ----------
    size, target, share
        As for `exact_scores`.
    tau2
        Variance between areas.

    Returns
    -------
    list of Interval
        In the unit of the target. On a scale that is only nearly normal, limits widened by a little could lie
        inside the exact ones: they never do here.
    """
    found = []
    for level in (INNER, OUTER):
        exact = funnel_limits(target, size, level) if share else rate_funnel_limits(target, size, level)
        if tau2 > 0:
            if share:
                wide = widened_share_limits(target, size, tau2, level)
            else:
                ratio = widened_ratio_limits(target * size, tau2, level)
                wide = Interval(target * ratio.low, target * ratio.high)
            exact = Interval(np.minimum(exact.low, wide.low), np.maximum(exact.high, wide.high))
        found.append(exact)
    return found


def sides_of(value: Floats, limits: list[Interval]) -> list[Ints]:
    """Return for each pair of limits 1 above, -1 below, 0 within."""
    return [above(value, pair.high).astype(np.int64) - above(pair.low, value) for pair in limits]


def held(z: Floats, sides: list[Ints]) -> Floats:
    """Return scores held to the band between limits that a point lies in.

    Counts are whole, limits are not: a point on the edge could lie outside the limit and have a score just
    inside, or the other way round. Scores strictly over 1.96 (3.09) then go with points beyond the inner
    (outer) limits, and only with those.
    """
    inner, outer = (normal_quantile(0.5 + level / 2) for level in (INNER, OUTER))
    past_inner, past_outer = np.nextafter(inner, np.inf), np.nextafter(outer, np.inf)
    beyond_inner, beyond_outer = sides
    least = np.select([beyond_outer > 0, beyond_inner > 0, beyond_outer < 0, beyond_inner < 0],
                      [past_outer, past_inner, -np.inf, -outer], -inner)  # fmt: skip
    most = np.select([beyond_outer > 0, beyond_inner > 0, beyond_outer < 0, beyond_inner < 0],
                     [np.inf, outer, -past_outer, -past_inner], inner)  # fmt: skip
    result: Floats = np.clip(z, least, most)
    return result
