"""A fitted chart of counts, judged: the usual rules, and exact chance where counts are small."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from dripledger.statistics.arrays import Floats
from dripledger.statistics.charts import Fit
from dripledger.statistics.intervals import Interval
from dripledger.statistics.layout import Bools
from dripledger.statistics.rules import Exact
from dripledger.statistics.small_counts import (
    LIMIT_TAIL,
    is_small,
    predictive_limits,
    predictive_tails,
    side_coins,
)


class _Reference(NamedTuple):
    """What the flat points are held against."""

    #: Sums over the baseline of a point's segment, the point itself not among them.
    counted: Floats
    whole: Floats
    #: Measured over independent variance, 1 or more.
    ratio: Floats


def exact_of(fit: Fit, size: Floats, share: bool, where: Bools | None = None) -> Exact | None:
    """Judge the points of few expected counts by exact chance.

    Parameters
    ----------
    fit
        A chart of counts.
    size
        Denominators (exposures) of its flat points.
    share
        Whether the counts are parts of their denominators.
    where
        Which flat points to hold against their limits; None: all.

    Returns
    -------
    Exact or None
        None where no point is small.
    """
    small = is_small(fit.centre, size, share)
    if not small.any():
        return None
    beyond = np.zeros(small.shape, np.int8)
    asked = small if where is None else small & where
    if asked.any():
        against = _reference(fit, size, asked)
        x = np.rint(fit.value[asked] * size[asked])
        tails = predictive_tails(x, size[asked], against.counted, against.whole, share, against.ratio)
        beyond[asked] = (tails.at_least <= LIMIT_TAIL).astype(np.int8) - (tails.at_most <= LIMIT_TAIL)
    return Exact(small, beyond, _coins(fit, size, share, small))


def exact_limits(fit: Fit, size: Floats, share: bool) -> tuple[Bools, Interval]:
    """Return which flat points are small, and the exact limits of those."""
    small = is_small(fit.centre, size, share)
    against = _reference(fit, size, small)
    return small, predictive_limits(size[small], against.counted, against.whole, share, against.ratio)


def _reference(fit: Fit, size: Floats, chosen: Bools) -> _Reference:
    layout = fit.layout
    x = np.rint(fit.value * size)
    own = layout.base[chosen]
    counted = layout.total(x, layout.base)[layout.stretch[chosen]] - np.where(own, x[chosen], 0.0)
    whole = layout.total(size, layout.base)[layout.stretch[chosen]] - np.where(own, size[chosen], 0.0)
    # A sum of what was handed in less one of its parts can miss 0 in the last bits.
    alone = own & (layout.how_many(layout.base)[layout.stretch[chosen]] == 1)
    return _Reference(counted, np.where(alone, 0.0, whole), _ratio(fit, chosen))


def _ratio(fit: Fit, chosen: Bools) -> Floats:
    spread = fit.dispersion[chosen]
    return np.maximum(np.where(np.isfinite(spread), spread, 1.0), 1.0) ** 2


def _coins(fit: Fit, size: Floats, share: bool, small: Bools) -> Floats:
    layout, coins = fit.layout, np.ones(size.shape)
    centre = fit.centre[small]
    # Where all of a baseline is 0 (or all 1), half a count is what it leaves possible.
    half = 0.5 / np.maximum(layout.total(size, layout.base)[layout.stretch[small]], 1e-300)
    centre = np.clip(centre, half, 1 - half) if share else np.maximum(centre, half)
    up = fit.value[small] > fit.centre[small]
    coins[small] = side_coins(centre, size[small], up, share, _ratio(fit, small))
    return coins
