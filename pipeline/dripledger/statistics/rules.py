"""Which points of a chart are more than chance: beyond a limit, shift, trend, near a limit, runs.

The four rules and their lengths are those of the NHS 'Making Data Count' charts as the open NHS-R code has
them; the runs analysis is that of Anhoej and Olesen, PLoS ONE 2014;9(11):e113825.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import Floats, as_floats, refuse, together
from dripledger.statistics.charts import Fit
from dripledger.statistics.layout import (
    Bools,
    Ints,
    above,
    by_blocks,
    check_mask,
    check_segment,
    check_series,
    lay_out,
    run_bounds,
)

#: Points on one side of the centre that make a shift.
SHIFT_POINTS = 7
#: Points rising (or falling) one after the other that make a trend: six steps.
TREND_POINTS = 7
#: Where 'near a limit' begins, in parts of the way from centre to limit.
NEAR_PART = 2 / 3
#: Points off the centre below which a runs analysis says nothing.
RUNS_LEAST = 10

Sides = npt.NDArray[np.int8]


class Signals(NamedTuple):
    """Whole numbers in the shape of the series: 1 above (or rising), -1 below (or falling), 0 none."""

    beyond: Sides
    shift: Sides
    trend: Sides
    near: Sides

    def any(self) -> Bools:
        """Return where any rule has a signal."""
        result: Bools = (self.beyond != 0) | (self.shift != 0) | (self.trend != 0) | (self.near != 0)
        return result


class Exact(NamedTuple):
    """What exact chance says of the flat points whose counts are small; see `small_counts`."""

    #: Which points these are.
    small: Bools
    #: Which of them lie beyond a limit.
    beyond: Sides
    #: How many fair coins in a row are as unlikely as the side that a point lies on; 1 for all others.
    coins: Floats


class Runs(NamedTuple):
    """One element a chart."""

    #: Points off the centre; only they count.
    useful: Ints
    longest: Ints
    #: The longest run that chance explains.
    longest_max: Ints
    crossings: Ints
    #: The fewest crossings of the centre that chance explains.
    crossings_min: Ints
    signal: Bools


def signals(
    values: npt.ArrayLike,
    centre: npt.ArrayLike,
    sigma: npt.ArrayLike,
    *,
    missing: npt.ArrayLike | None = None,
    segment: npt.ArrayLike | None = None,
) -> Signals:
    """Find the points that belong to a pattern which chance hardly explains.

    Parameters
    ----------
    values
        Values of the chart; shape (..., points), time on the last axis.
    centre, sigma
        Centre and standard deviation expected of each point, a third of the way to an uncut limit; broadcast.
    missing
        True where a point has no data; it is passed over. None: all have.
    segment
        Whole numbers that never fall; no pattern reaches across two. None: one segment.

    Returns
    -------
    Signals
        `beyond`: strictly beyond a limit. `shift`: member of 7 or more points on one side of the centre (a
        point on the centre breaks the run). `trend`: member of 7 or more points that each rise, or fall (a
        tie breaks it). `near`: within a limit but over two thirds of the way to it, in three successive
        points of one side of which at least two are so.

    Raises
    ------
    ArrayError
        For a value that is no finite number, a negative sigma, or shapes that do not fit.
    """
    return by_blocks(_signals, (values, centre, sigma), (missing, segment))


def _signals(
    values: npt.ArrayLike, centre: npt.ArrayLike, sigma: npt.ArrayLike, missing: npt.ArrayLike | None,
    segment: npt.ArrayLike | None,
) -> Signals:  # fmt: skip
    x, middle, spread = together(
        values=as_floats("values", values),
        centre=as_floats("centre", centre),
        sigma=as_floats("sigma", sigma),
    )
    refuse("sigma", spread, spread < 0, "is negative")
    check_series("values", x.shape)
    gone = check_mask("missing", missing, x.shape)
    present = np.ones(x.shape, np.bool_) if gone is None else ~gone
    layout = lay_out(present, None, check_segment(segment, x.shape))
    sizes = np.ones(layout.stretch.shape)
    return signals_of(Fit(layout, layout.flat(x), layout.flat(middle), layout.flat(spread), sizes))


def signals_of(fit: Fit, exact: Exact | None = None) -> Signals:
    """Return the members of every pattern of a fitted chart, in the shape of its series.

    Parameters
    ----------
    fit
        The chart.
    exact
        What exact chance says of its small counts: it decides there what lies beyond a limit; they are never
        near one; and a run on one side must be as unlikely as 7 fair coins, and of 7 points, to be a shift.
    """
    return Signals(*(fit.layout.shaped(members, 0) for members, _ in _patterns(fit, exact)))


def completions_of(fit: Fit, exact: Exact | None = None) -> Signals:
    """Return the points at which a pattern is complete: when a reader who looks every month is told."""
    return Signals(*(fit.layout.shaped(complete, 0) for _, complete in _patterns(fit, exact)))


def _patterns(fit: Fit, exact: Exact | None) -> tuple[tuple[Sides, Sides], ...]:
    """Return (members, completions) of each rule, flat."""
    layout, value, centre = fit.layout, fit.value, fit.centre
    side = above(value, centre).astype(np.int8) - above(centre, value).astype(np.int8)
    high, low = centre + 3 * fit.sigma, centre - 3 * fit.sigma
    beyond = above(value, high).astype(np.int8) - above(low, value).astype(np.int8)
    with np.errstate(invalid="ignore"):
        near_high, near_low = centre + 3 * NEAR_PART * fit.sigma, centre - 3 * NEAR_PART * fit.sigma
    near = (above(value, near_high) | above(near_low, value)) & (beyond == 0)
    coins = None
    if exact is not None:
        beyond, near = np.where(exact.small, exact.beyond, beyond), near & ~exact.small
        coins = exact.coins
    return (
        (beyond, beyond),
        same_side(side, layout.first, SHIFT_POINTS, coins),
        _trend(value, layout.first),
        _two_of_three(near, side, layout.first),
    )


def same_side(kind: Sides, first: Bools, length: int, coins: Floats | None = None) -> tuple[Sides, Sides]:
    """Find runs of one kind (0 is none) of at least a length.

    Parameters
    ----------
    kind
        Flat: 1, -1 or 0 for each point.
    first
        Flat: whether a point is the first of its stretch; no run reaches across.
    length
        Points that make a run.
    coins
        Flat: what each point counts for beside; a run must also hold `length` of it. None: 1 each.

    Returns
    -------
    tuple
        The kind of each member of a run, and of each point at which a run is long enough; 0 elsewhere.
    """
    starts = first.copy()
    starts[1:] |= kind[1:] != kind[:-1]
    begin, end = run_bounds(starts)
    enough = np.arange(kind.size) - begin + 1 >= length
    if coins is not None:
        so_far = np.cumsum(coins)
        enough &= so_far - so_far[begin] + coins[begin] >= length - 1e-9
    complete = np.where(enough, kind, 0).astype(np.int8)
    # What a run holds only grows: it is one where its end says so.
    return np.where(enough[end], kind, 0).astype(np.int8), complete


def _trend(value: Floats, first: Bools) -> tuple[Sides, Sides]:
    step = np.zeros(value.size, np.int8)
    step[1:] = above(value[1:], value[:-1]).astype(np.int8) - above(value[:-1], value[1:]).astype(np.int8)
    step[first] = 0
    members, complete = same_side(step, first, TREND_POINTS - 1)
    # A step belongs to the point that it leads to; the point that the first step leaves is a member too.
    # Where a rise ends, its top can also be where a fall begins: it keeps the side of the steps that lead to
    # it.
    opening = np.zeros_like(members)
    opening[:-1] = np.where(first[1:], 0, members[1:])
    return np.where(members != 0, members, opening).astype(np.int8), complete


def k_of_m(flag: Bools, first: Bools, k: int, m: int) -> Bools:
    """Return the flat points at which k of the last m points of their stretch, they among them, are so."""
    begin, _ = run_bounds(first)
    place = np.arange(flag.size) - begin
    count = flag.astype(np.int64)
    for back in range(1, min(m, flag.size)):
        count[back:] += flag[:-back] & (place[back:] >= back)
    result: Bools = count >= k
    return result


def _two_of_three(near: Bools, side: Sides, first: Bools) -> tuple[Sides, Sides]:
    complete = np.zeros(near.size, np.int8)
    for sign in (1, -1):
        complete[k_of_m(near, first, 2, 3) & k_of_m(side == sign, first, 3, 3)] = sign
    reached = complete.copy()
    for ahead in (1, 2):
        # A window that is complete at i holds i - 1 and i - 2, and lies within one stretch.
        reached[:-ahead] = np.where(reached[:-ahead] != 0, reached[:-ahead], complete[ahead:])
    return np.where(near, reached, 0).astype(np.int8), complete


def runs(values: npt.ArrayLike, centre: npt.ArrayLike) -> Runs:
    """Judge the longest run on one side of the centre, and how often the series crosses it.

    Parameters
    ----------
    values
        Values; shape (..., points), time on the last axis.
    centre
        The centre (median of a run chart, or a chart's centre); broadcasts.

    Returns
    -------
    Runs
        Arrays in the shape of the leading axes. Points on the centre do not count. A signal is a longest run
        over round(log2 n) + 3, or fewer crossings than the 5 % quantile of a binomial of n - 1 fair draws;
        with under 10 useful points there is no signal.

    Raises
    ------
    ArrayError
        For a value that is no finite number, an empty series, or shapes that do not fit.

    Notes
    -----
    Source: Anhoej J, Olesen AV. PLoS ONE 2014;9(11):e113825; Chen Z 2010 and Schilling MF 2012 for its two
    bounds (page data from memory).
    """
    from scipy import special

    x, middle = together(values=as_floats("values", values), centre=as_floats("centre", centre))
    check_series("values", x.shape)
    sides = above(x, middle).astype(np.int8) - above(middle, x).astype(np.int8)
    layout = lay_out(sides != 0)
    side = layout.flat(sides)
    starts = layout.first.copy()
    starts[1:] |= side[1:] != side[:-1]
    begin, end = run_bounds(starts)
    useful = np.bincount(layout.stretch, minlength=layout.stretches).astype(np.int64)
    longest = np.zeros(layout.stretches, np.int64)
    np.maximum.at(longest, layout.stretch, end - begin + 1)
    crossings = np.bincount(layout.stretch[starts & ~layout.first], minlength=layout.stretches)
    n = np.maximum(useful, 1)
    longest_max = np.round(np.log2(n)).astype(np.int64) + 3
    table = np.arange(int(n.max()) + 1)
    # The smallest k with P(B <= k) >= 0.05, for every n that occurs.
    fewest = np.zeros(table.size, np.int64)
    for size in np.unique(n[n > 1]):
        fewest[size] = int(np.searchsorted(special.bdtr(table[:size], size - 1, 0.5), 0.05))
    crossings_min = fewest[n]
    signal = (useful >= RUNS_LEAST) & ((longest > longest_max) | (crossings < crossings_min))

    def shaped(flat: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return flat.reshape(x.shape[:-1])

    return Runs(
        shaped(useful), shaped(longest), shaped(longest_max), shaped(crossings), shaped(crossings_min),
        shaped(signal),
    )  # fmt: skip
