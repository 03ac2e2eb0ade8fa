"""Indirect standardisation by entry: how an area differs from what its own mix of drugs lets expect.

Areas run different drugs, and drugs differ in how often a limit is met or overridden. A plain comparison of
areas then compares drugs. Here each area is compared with what it would show if each of its entries behaved
as that entry does in all areas together.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import ArrayError, Floats, as_amounts, as_counts, at_most, refuse


class Standardised(NamedTuple):
    """One element an area."""

    observed: Floats
    #: What the area's own mix of entries lets expect.
    expected: Floats
    #: observed / expected; NaN where nothing is expected.
    ratio: Floats
    #: Standard deviation that chance gives the ratio at 1; NaN where nothing is expected.
    sigma: Floats
    #: (ratio - 1) / sigma; NaN where an area has nothing to be compared with.
    z: Floats


def standardise(x: npt.ArrayLike, n: npt.ArrayLike, share: bool = True) -> Standardised:
    """Compare areas after allowing for their mix of entries.

    Parameters
    ----------
    x
        Counts of what is asked for; whole numbers, 0 or more; shape (areas, entries).
    n
        Denominators, same shape: counts (x <= n) of a share, or exposures of a rate. 0 where an area does not
        use an entry.
    share
        Whether x/n are shares; else rates of independent events.

    Returns
    -------
    Standardised
        Arrays of shape (areas,).

    Raises
    ------
    ArrayError
        For counts that cannot be, shapes that differ, or a table without area or entry.

    Notes
    -----
    expected = sum over entries of n times the entry's value in all areas. An area is part of its own
    reference: the variance allows for it, sum of n v (1 - n / n of all areas), v = p (1 - p) for shares and
    the rate for rates (our derivation, checked by simulation), and an area that alone uses its entries has
    nothing to be compared with.
    """
    hits = as_counts("x", x)
    total = as_counts("n", n) if share else as_amounts("n", n)
    if hits.ndim != 2 or 0 in hits.shape:
        raise ArrayError("x", f"has shape {hits.shape}; areas by entries is wanted, at least one of each")
    if total.shape != hits.shape:
        raise ArrayError("n", f"has shape {total.shape}, x has {hits.shape}")
    if share:
        at_most("x", hits, "n", total)
    else:
        refuse("x", hits, (hits > 0) & (total == 0), "events over no exposure")
    all_n = total.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        usual = np.where(all_n > 0, hits.sum(axis=0) / all_n, 0.0)
        part = np.where(all_n > 0, total / all_n, 0.0)
    expected = (total * usual).sum(axis=1)
    single = usual * (1 - usual) if share else usual
    variance = (total * single * (1 - part)).sum(axis=1)
    observed = hits.sum(axis=1)
    known = expected > 0
    safe = np.where(known, expected, 1.0)
    ratio = np.where(known, observed / safe, np.nan)
    sigma = np.where(known, np.sqrt(variance) / safe, np.nan)
    alone = ~known | (sigma <= 1e-12)
    z = np.where(alone, np.nan, (ratio - 1) / np.where(alone, 1.0, sigma))
    return Standardised(observed, expected, ratio, sigma, z)
