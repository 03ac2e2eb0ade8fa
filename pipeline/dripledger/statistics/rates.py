"""Interval of a rate whose events come in clusters: exact on the count that they are worth."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import Floats, as_indices, as_rows, check_level, refuse


class ClusteredRate(NamedTuple):
    """One rate with its interval."""

    value: float
    low: float
    high: float
    #: Clusters with an exposure or an event.
    clusters: int
    #: Measured variance over that of independent events; NaN where it cannot be told, or for no counts.
    dispersion: float


def clustered_rate(
    amount: npt.ArrayLike,
    exposure: npt.ArrayLike,
    cluster: npt.ArrayLike | None = None,
    level: float = 0.95,
    counts: bool = True,
) -> ClusteredRate:
    """Rate ``sum(amount) / sum(exposure)`` with an interval that counts clusters, not events.

    Parameters
    ----------
    amount
        Events, or minutes, of each row; 0 or more; shape (rows,).
    exposure
        Hours, or units of whatever the rate is over; 0 or more; shape (rows,).
    cluster
        Which cluster (infusion, pump) a row belongs to, whole numbers; shape (rows,). None: each row is one.
    level
        Two-sided confidence level, between 0 and 1.
    counts
        Whether `amount` counts events. Then the variance is never taken below that of independent events.

    Returns
    -------
    ClusteredRate
        In amount per exposure; NaN where there is no exposure. The limits are NaN where a single cluster
        holds everything, or where an amount that is no count is zero everywhere.

    Raises
    ------
    ArrayError
        For a value that cannot be; it names argument and position.

    Notes
    -----
    With residuals e = amount - R exposure of m clusters, var(R) = m / (m - 1) * sum(e^2) / sum(exposure)^2
    (the linearised ratio: Cochran, Sampling Techniques, 3rd ed. 1977, section 6.13, from memory). Over
    R / sum(exposure), the variance for independent events, that is the dispersion d; below 1 it is taken as
    1. The interval is Garwood's for the effective count x = sum(amount) / d: d times the gamma quantiles of x
    and x + 1, over sum(exposure) (a count of steps of a known size; for weighted sums of Poisson counts so
    Fay MP, Feuer EJ. Stat Med 1997;16:791-801, from memory). Its tails are those that a normal distribution
    has beyond Student's quantile with k + 1 degrees of freedom, k the clusters with any amount: the
    dispersion is measured on those alone (our choice, no source; the tests hold its coverage by simulation
    from four clusters with events on). Where fewer are to be expected, none may be seen, and no interval can
    know how large those not seen would be. No event at all tells nothing of how events cluster: there the
    exact Poisson limit stands in, -ln(alpha / 2) / exposure, and is the least that can be said.

    Examples
    --------
    >>> found = clustered_rate([4, 0, 1, 3], [10, 10, 10, 10], [0, 1, 2, 3])
    >>> round(found.value, 3), round(found.dispersion, 3)
    (0.2, 1.667)
    """
    level = check_level(level)
    amounts, exposures = as_rows("amount", amount, "exposure", exposure)
    refuse("amount", amounts, amounts < 0, "is negative")
    refuse("exposure", exposures, exposures < 0, "is negative")
    if cluster is not None:
        amounts, exposures = _add_up(amounts, exposures, as_indices("cluster", cluster, "amount", amounts))
    return _estimate(*_in_order(amounts, exposures), level, counts)


def clustered_ratio(after: ClusteredRate, before: ClusteredRate) -> tuple[float, float, float]:
    """Ratio of two independent rates, after / before, with an interval from their two intervals.

    Parameters
    ----------
    after, before
        Results of `clustered_rate` at one level, in one unit.

    Returns
    -------
    tuple of float
        (ratio, low, high). NaN where a rate or one of its limits is not known, and where both rates are 0.
        `high`, and the ratio, are infinite where nothing came before; `low` is 0 where nothing came after.

    Notes
    -----
    The distances from each rate to its own lower and upper limit, on the log scale, are added as the sides of
    a right angle, as `hybrid_difference` does it for differences: the two need not be alike on both sides
    (Donner A, Zou GY. Stat Methods Med Res 2012;21:347-359, from memory; the tests hold its coverage by
    simulation). A rate of 0 has no logarithm: then the limit is the furthest that the two intervals allow,
    which is wider.

    Examples
    --------
    >>> before = clustered_rate([1] * 25, [1] * 25, range(25))
    >>> after = clustered_rate([1] * 25, [2] * 25, range(25))
    >>> [round(value, 3) for value in clustered_ratio(after, before)]
    [0.5, 0.271, 0.922]
    """
    known = all(not math.isnan(value) for side in (after, before) for value in (side.low, side.high))
    if not known or (after.value == 0 and before.value == 0):
        return math.nan, math.nan, math.nan
    if before.value == 0:
        return math.inf, after.low / before.high, math.inf
    ratio = after.value / before.value
    if after.value == 0:
        return ratio, 0.0, after.high / before.low
    down = math.hypot(math.log(after.value / after.low), math.log(before.high / before.value))
    up = math.hypot(math.log(after.high / after.value), math.log(before.value / before.low))
    return ratio, ratio * math.exp(-down), ratio * math.exp(up)


def _add_up(amounts: Floats, exposures: Floats, ids: npt.NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Add the rows of each cluster, in an order that does not depend on that of the rows."""
    _, place = np.unique(ids, return_inverse=True)
    place = place.reshape(-1)
    order = np.lexsort((exposures, amounts, place))
    size = int(place.max(initial=-1)) + 1
    a: Floats = np.bincount(place[order], amounts[order], size).astype(np.float64)
    t: Floats = np.bincount(place[order], exposures[order], size).astype(np.float64)
    return a, t


def _in_order(a: Floats, t: Floats) -> tuple[Floats, Floats]:
    """Return the clusters with anything, in an order that does not depend on how they were given."""
    order = np.lexsort((t, a))
    some = (a[order] > 0) | (t[order] > 0)
    return a[order][some], t[order][some]


def _estimate(a: Floats, t: Floats, level: float, counts: bool) -> ClusteredRate:
    whole, over = float(a.sum()), float(t.sum())
    residual = a - (whole / over if over else 0.0) * t
    squares = float((residual * residual).sum())
    return rate_limits(len(a), int(np.count_nonzero(a)), whole, over, squares, level, counts)


def rate_limits(
    m: int, some: int, whole: float, over: float, squares: float, level: float, counts: bool
) -> ClusteredRate:
    """Make the interval from what the clusters add up to.

    Parameters
    ----------
    m, some
        Clusters with an exposure or an amount, and those with an amount.
    whole, over
        Amount and exposure of all.
    squares
        Squared residuals from the rate.
    level
        Two-sided confidence level, checked.
    counts
        Whether the amount counts events.
    """
    nan = math.nan
    if over == 0:
        return ClusteredRate(nan, nan, nan, m, nan)
    rate = whole / over
    if whole == 0:
        high = -math.log((1 - level) / 2) / over if counts else nan
        return ClusteredRate(0.0, 0.0 if counts else nan, high, m, nan)
    if m < 2:
        return ClusteredRate(rate, nan, nan, m, nan)
    variance = m / (m - 1) * squares / over**2
    dispersion = variance * over / rate
    # How much of the amount is worth one independent event; of what is no count, whatever was measured.
    step = max(dispersion, 1.0) if counts else dispersion
    low, high = _garwood(whole, step, level, some)
    return ClusteredRate(rate, low / over, high / over, m, dispersion if counts else nan)


def _garwood(whole: float, step: float, level: float, clusters: int) -> tuple[float, float]:
    """Return the limits of an amount that came in steps of a size measured on so many clusters."""
    from scipy import special

    if step <= 1e-12 * whole:
        return whole, whole
    tail = float(special.ndtr(special.stdtrit(clusters + 1, 0.5 - level / 2)))
    effective = whole / step
    # The upper quantile is asked for by what lies beyond: 1 - tail is 1 where the tail is very small.
    return step * float(special.gammaincinv(effective, tail)), step * float(
        special.gammainccinv(effective + 1, tail)
    )
