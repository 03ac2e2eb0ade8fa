"""Poisson's law by scipy's special functions alone: to import `scipy.stats` takes three times as long."""

from __future__ import annotations

import numpy as np

from dripledger.statistics.arrays import Floats


def exactly(count: Floats, mean: Floats) -> Floats:
    """Return P(X = count).

    Parameters
    ----------
    count
        Counts; 0 for what is negative or not whole.
    mean
        Means above 0, in that shape.
    """
    from scipy import special

    known = (count >= 0) & (count == np.floor(count))
    k = np.where(known, count, 0.0)
    chance = np.exp(special.xlogy(k, mean) - special.gammaln(k + 1) - mean)
    result: Floats = np.where(known, chance, 0.0)
    return result


def at_most(count: Floats, mean: Floats) -> Floats:
    """Return P(X <= count), as `exactly`."""
    from scipy import special

    k = np.floor(count)
    result: Floats = np.where(k < 0, 0.0, special.pdtr(np.maximum(k, 0), mean))
    return result


def more_than(count: Floats, mean: Floats) -> Floats:
    """Return P(X > count), with all digits of what is small."""
    from scipy import special

    k = np.floor(count)
    result: Floats = np.where(k < 0, 1.0, special.pdtrc(np.maximum(k, 0), mean))
    return result


def quantile(chance: float, mean: Floats) -> Floats:
    """Return the smallest count whose cumulative chance is at least `chance`, strictly between 0 and 1."""
    from scipy import special

    count = np.ceil(special.pdtrik(chance, mean))
    # the inverse may end a hair above a whole number
    below = np.maximum(count - 1, 0)
    result: Floats = np.where(special.pdtr(below, mean) >= chance, below, count)
    return result
