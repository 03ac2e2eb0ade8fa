"""Before against after where months differ more than chance: intervals widened by what they show."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import as_amounts, as_rows
from dripledger.statistics.intervals import Interval, checked_share, hybrid_difference, score_interval
from dripledger.statistics.poisson import checked_events


class MonthSpread(NamedTuple):
    """How much the months of either side differ among themselves."""

    #: Measured over independent variance of their counts, 1 or more.
    ratio: float
    #: Months that this was measured on, less one for each side; 0 where it could not be.
    freedom: int


def month_spread(
    x1: npt.ArrayLike, n1: npt.ArrayLike, x2: npt.ArrayLike, n2: npt.ArrayLike, share: bool
) -> MonthSpread:
    """Measure how much the months before, and those after, differ beyond independent counts.

    Parameters
    ----------
    x1, n1
        Counts and denominators (exposures of a rate) of each month before; shape (months,).
    x2, n2
        Those after; a shape of its own.
    share
        Whether the counts are parts of their denominators.

    Returns
    -------
    MonthSpread
        The two sides together; each is held against its own value.

    Raises
    ------
    ArrayError
        For counts or exposures that cannot be.

    Notes
    -----
    Pearson's chi-square over its degrees of freedom, no less than 1 (quasi-likelihood: McCullagh P, Nelder
    JA. Generalized Linear Models, 2nd ed. 1989, sections 4.5 and 6.2, from memory). What clusters within a
    month, as the alerts of one infusion do, shows between months as well. A side without any event (or with
    nothing else) tells nothing.

    Examples
    --------
    >>> spread = month_spread([2, 8], [10, 10], [4, 16], [10, 10], share=False)
    >>> round(spread.ratio, 3), spread.freedom
    (5.4, 2)
    """
    excess, freedom = 0.0, 0
    for side, x, n in (("1", x1, n1), ("2", x2, n2)):
        as_rows(f"x{side}", x, f"n{side}", as_amounts(f"n{side}", n))
        check = checked_share if share else checked_events
        hits, size = check(f"x{side}", x, f"n{side}", n)
        hits, size = hits[size > 0], size[size > 0]
        if not size.size:
            continue
        value = float(hits.sum() / size.sum())
        single = value * (1 - value) if share else value
        if single > 0:
            excess += float(((hits - size * value) ** 2 / (size * single)).sum())
            freedom += size.size - 1
    return MonthSpread(max(excess / freedom, 1.0) if freedom else 1.0, freedom)


def spread_difference(x1: int, n1: int, x2: int, n2: int, spread: MonthSpread) -> Interval:
    """95 % interval of x2/n2 - x1/n1: Newcombe's, of as many independent counts as these are worth.

    Its tails are those beyond Student's quantile with the freedom of the spread; with none, the normal ones.
    """
    one, two = (
        score_interval(np.array([x / spread.ratio]), np.array([n / spread.ratio]), _reach(spread))
        for x, n in ((x1, n1), (x2, n2))
    )
    return hybrid_difference(np.array([x2 / n2]), two, np.array([x1 / n1]), one)


def spread_ratio(x1: int, t1: float, x2: int, t2: float, spread: MonthSpread) -> tuple[float, float]:
    """95 % limits of (x2/t2) / (x1/t1): those of `rate_ratio`, of as many events as these are worth.

    The exact limits are quantiles of beta distributions, which need no whole numbers; tails as for
    `spread_difference`. Exposures are above 0, and some events there are.
    """
    from scipy import special

    tail = float(special.ndtr(-_reach(spread)))
    a, b = x2 / spread.ratio, x1 / spread.ratio
    scale = t1 / t2
    # p / (1 - p) is asked for by its larger side, so that a p next to 1 keeps its digits.
    low = special.betaincinv(a, b + 1, tail) / special.betaincinv(b + 1, a, 1 - tail) if a else 0.0
    high = special.betaincinv(a + 1, b, 1 - tail) / special.betaincinv(b, a + 1, tail) if b else np.inf
    return float(low * scale), float(high * scale)


def _reach(spread: MonthSpread) -> float:
    from scipy import special

    return float(special.stdtrit(spread.freedom, 0.975) if spread.freedom else special.ndtri(0.975))
