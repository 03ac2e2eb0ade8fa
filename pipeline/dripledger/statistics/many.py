"""Many looks at once: what is left of p-values when there are many of them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import ArrayError, Floats, as_floats, refuse


def two_sided_p(z: npt.ArrayLike) -> Floats:
    """Return two-sided normal p-values of z-scores, in their shape."""
    from scipy import special

    result: Floats = 2 * special.ndtr(-np.abs(as_floats("z", z)))
    return result


def benjamini_hochberg(p: npt.ArrayLike) -> Floats:
    """Adjust p-values for how many there are, so that a bound on them bounds the share of false finds.

    Parameters
    ----------
    p
        p-values 0-1; shape (tests,). For areas of a funnel only: points of one chart over time depend on each
        other, and rules on them have no p-value.

    Returns
    -------
    numpy.ndarray
        Adjusted values in the order given; those at or under 0.05 hold at most 5 % false ones on average.

    Raises
    ------
    ArrayError
        For a value outside 0-1 or more than one dimension. No value gives an empty array.

    Notes
    -----
    Source: Benjamini Y, Hochberg Y. J R Stat Soc B 1995;57:289-300 (from memory; checked against scipy).
    """
    values = as_floats("p", p)
    if values.ndim != 1:
        raise ArrayError("p", f"has {values.ndim} dimensions; one is wanted")
    refuse("p", values, (values < 0) | (values > 1), "does not lie between 0 and 1")
    order = np.argsort(values, kind="stable")
    size = values.size
    scaled = values[order] * size / np.arange(1, size + 1)
    out = np.empty(size)
    out[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return out
