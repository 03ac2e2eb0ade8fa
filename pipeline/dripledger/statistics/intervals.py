"""Intervals for shares of independent counts, and for the difference of two."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import Floats, as_counts, at_most, check_level, together
from dripledger.statistics.quantiles import normal_quantile


class Interval(NamedTuple):
    """Two arrays of one shape: the lower and the upper limit."""

    low: Floats
    high: Floats


def wilson(x: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95, continuity: bool = False) -> Interval:
    """Score interval of a proportion, found by inverting the normal test.

    Parameters
    ----------
    x
        Counts of what is asked for; whole numbers, 0 <= x <= n. Any shape that broadcasts with `n`.
    n
        Counts of all; whole numbers.
    level
        Two-sided confidence level, between 0 and 1.
    continuity
        Whether to correct for continuity; the corrected interval is wider.

    Returns
    -------
    Interval
        `low` and `high`, fractions 0-1, in the common shape of `x` and `n`; NaN where n is 0, for no data
        say nothing about a share. `low` is exactly 0 at x = 0, and `high` exactly 1 at x = n.

    Raises
    ------
    ArrayError
        Where a value is no whole number, negative, or x is more than n; it names argument and position.

    Notes
    -----
    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1 (the interval without correction);
    Newcombe RG, Statistics in Medicine 1998;17:857-872, methods 3 and 4 (without and with correction).

    Examples
    --------
    >>> low, high = wilson([81], [263])
    >>> float(low[0].round(4)), float(high[0].round(4))
    (0.2553, 0.3662)
    """
    level = check_level(level)
    hits, total = checked_share("x", x, "n", n)
    return score_interval(hits, total, normal_quantile(0.5 + level / 2), continuity)


def clopper_pearson(x: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95) -> Interval:
    """Exact interval of a proportion: each tail of the binomial holds at most half of what is left over.

    Parameters
    ----------
    x, n
        Counts as for `wilson`.
    level
        Two-sided confidence level, between 0 and 1.

    Returns
    -------
    Interval
        Fractions 0-1 in the common shape; NaN where n is 0. Never too narrow, and wider than `wilson`.

    Raises
    ------
    ArrayError
        As for `wilson`.

    Notes
    -----
    Source: Clopper CJ, Pearson ES. Biometrika 1934;26:404-413 (from memory); the limits are quantiles of beta
    distributions, taken from scipy.
    """
    from scipy import special

    tail = (1 - check_level(level)) / 2
    hits, total = checked_share("x", x, "n", n)
    # Where a quantile has no meaning (x = 0, x = n) any valid number is put in, and the limit is set below.
    low = special.betaincinv(np.maximum(hits, 1), total - hits + 1, tail)
    high = special.betaincinv(hits + 1, np.maximum(total - hits, 1), 1 - tail)
    low = np.where(hits == 0, 0.0, low)
    high = np.where(hits == total, 1.0, high)
    empty = total == 0
    return Interval(np.where(empty, np.nan, low), np.where(empty, np.nan, high))


def newcombe(
    x1: npt.ArrayLike,
    n1: npt.ArrayLike,
    x2: npt.ArrayLike,
    n2: npt.ArrayLike,
    level: float = 0.95,
    continuity: bool = False,
) -> Interval:
    """Hybrid score interval of the difference of two independent proportions, x1/n1 - x2/n2.

    Parameters
    ----------
    x1, n1, x2, n2
        Counts of the two groups; whole numbers, 0 <= x <= n; shapes that broadcast.
    level
        Two-sided confidence level, between 0 and 1.
    continuity
        Whether the two score intervals are corrected for continuity.

    Returns
    -------
    Interval
        Differences of fractions, -1 to 1, in the common shape; NaN where a group is empty.

    Raises
    ------
    ArrayError
        As for `wilson`.

    Notes
    -----
    Source: Newcombe RG, Statistics in Medicine 1998;17:873-890, method 10 (11 with correction).

    Examples
    --------
    >>> low, high = newcombe(56, 70, 48, 80)
    >>> float(low.round(4)), float(high.round(4))
    (0.0524, 0.3339)
    """
    z = normal_quantile(0.5 + check_level(level) / 2)
    a, total_a = checked_share("x1", x1, "n1", n1)
    b, total_b = checked_share("x2", x2, "n2", n2)
    a, total_a, b, total_b = together(x1=a, n1=total_a, x2=b, n2=total_b)
    one, two = score_interval(a, total_a, z, continuity), score_interval(b, total_b, z, continuity)
    with np.errstate(divide="ignore", invalid="ignore"):
        return hybrid_difference(a / total_a, one, b / total_b, two)


def hybrid_difference(value1: Floats, one: Interval, value2: Floats, two: Interval) -> Interval:
    """Interval of a difference value1 - value2 from the two intervals, whatever made those.

    Parameters
    ----------
    value1, value2
        The two independent estimates, in one unit.
    one, two
        Their intervals at one level.

    Returns
    -------
    Interval
        The distances from estimate to limit are added as the sides of a right angle. With score intervals
        this is Newcombe's method 10; with `clustered_share` it compares shares of hours.
    """
    d = value1 - value2
    return Interval(
        d - np.sqrt((value1 - one.low) ** 2 + (two.high - value2) ** 2),
        d + np.sqrt((one.high - value1) ** 2 + (value2 - two.low) ** 2),
    )


def checked_share(name_x: str, x: npt.ArrayLike, name_n: str, n: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return numerators and denominators as counts in their common shape, each x at most its n."""
    hits, total = together(**{name_x: as_counts(name_x, x), name_n: as_counts(name_n, n)})
    at_most(name_x, hits, name_n, total)
    return hits, total


def score_interval(hits: Floats, total: Floats, z: float, continuity: bool = False) -> Interval:
    """Score interval for checked arrays; here n may be any positive number, such as an effective size."""
    with np.errstate(divide="ignore", invalid="ignore"):
        p = hits / total
        scale = 2 * (total + z * z)
        if continuity:
            # The arguments are negative only where the limit is 0 or 1 anyway.
            spread_low = z * z - 2 - 1 / total + 4 * p * (total - hits + 1)
            spread_high = z * z + 2 - 1 / total + 4 * p * (total - hits - 1)
            low = (2 * hits + z * z - 1 - z * np.sqrt(np.maximum(spread_low, 0))) / scale
            high = (2 * hits + z * z + 1 + z * np.sqrt(np.maximum(spread_high, 0))) / scale
        else:
            spread = z * np.sqrt(z * z + 4 * hits * (1 - p))
            low = (2 * hits + z * z - spread) / scale
            high = (2 * hits + z * z + spread) / scale
    low = np.where(hits == 0, 0.0, np.clip(low, 0.0, 1.0))
    high = np.where(hits == total, 1.0, np.clip(high, 0.0, 1.0))
    empty = total == 0
    return Interval(np.where(empty, np.nan, low), np.where(empty, np.nan, high))
