"""Interval of a median from the order of the values alone: nothing is assumed about their distribution."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import ArrayError, as_floats, check_level
from dripledger.statistics.intervals import Interval


def median_interval(values: npt.ArrayLike, level: float = 0.95) -> Interval:
    """Interval of a median whose limits are two of the values.

    Parameters
    ----------
    values
        Independent values in one unit; shape (..., values), one median along the last axis.
    level
        Least confidence level, between 0 and 1; the interval covers at least as often.

    Returns
    -------
    Interval
        In the unit of the values, shape of the leading axes. NaN where there are too few values for the level
        (under 6 at 95 %): then even the smallest and the largest value are not sure enough.

    Raises
    ------
    ArrayError
        For a value that is no finite number, a single number, or no value at all.

    Notes
    -----
    The number of values below the median is binomial with one half; low and high are the k-th value from
    either end, k the largest with P(B < k) <= (1 - level) / 2 (David HA, Order Statistics, from memory; tests
    compare with a simulation). Times that never came to an end need a survival curve instead.
    """
    from scipy import special

    tail = (1 - check_level(level)) / 2
    data = as_floats("values", values)
    if data.ndim == 0 or data.shape[-1] == 0:
        raise ArrayError("values", "holds no values")
    count = data.shape[-1]
    k = np.arange(count // 2 + 1)
    place = int(np.flatnonzero(special.bdtr(k, count, 0.5) > tail)[0])
    ordered = np.sort(data, axis=-1)
    if place == 0:
        nothing = np.full(data.shape[:-1], np.nan)
        return Interval(nothing, nothing)
    return Interval(ordered[..., place - 1], ordered[..., count - place])
