"""Intervals for shares of independent counts."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import ArrayError, Floats, as_floats, check_level, refuse
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
    hits, total = as_floats("x", x), as_floats("n", n)
    for name, values in (("x", hits), ("n", total)):
        refuse(name, values, values < 0, "is negative")
        refuse(name, values, values != np.floor(values), "is no whole number")
    try:
        hits, total = np.broadcast_arrays(hits, total)
    except ValueError:
        raise ArrayError("n", f"its shape {total.shape} does not fit the shape {hits.shape} of x") from None
    refuse("x", hits, hits > total, "is more than n")
    return score_interval(hits, total, normal_quantile(0.5 + level / 2), continuity)


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
