"""Quantiles of the normal and of Student's distribution, without scipy (its import costs 0.7 s)."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np

from dripledger.statistics.arrays import Floats


def normal_quantile(p: float) -> float:
    """Return the quantile of the standard normal distribution at probability `p` (0 < p < 1)."""
    return NormalDist().inv_cdf(p)


def student_quantile(p: float, df: Floats) -> Floats:
    """Quantiles of Student's t distribution.

    Parameters
    ----------
    p
        Probability, 0 < p < 1.
    df
        Degrees of freedom, 1 or more, any shape.

    Returns
    -------
    numpy.ndarray
        Quantiles, shape of `df`.

    Notes
    -----
    Closed forms for 1 and 2 degrees of freedom; above, the expansion in powers of 1/df of Abramowitz and
    Stegun, Handbook of Mathematical Functions (1964), 26.7.5 (formula from memory; a test compares it with
    scipy: at p = 0.975 it is off by at most 0.12 % at 3 degrees of freedom and 0.02 % from 5 on).
    """
    z = normal_quantile(p)
    z2 = z * z
    terms = (
        z * (z2 + 1) / 4,
        z * ((5 * z2 + 16) * z2 + 3) / 96,
        z * (((3 * z2 + 19) * z2 + 17) * z2 - 15) / 384,
        z * ((((79 * z2 + 776) * z2 + 1482) * z2 - 1920) * z2 - 945) / 92160,
    )
    df = np.asarray(df, dtype=np.float64)
    out = np.full(df.shape, z)
    for power, term in enumerate(terms, start=1):
        out = out + term / df**power
    out = np.where(df == 1, math.tan(math.pi * (p - 0.5)), out)
    two = (2 * p - 1) * math.sqrt(2 / (4 * p * (1 - p)))
    result: Floats = np.where(df == 2, two, out)
    return result
