"""Charts with a memory, for small lasting shifts: the weighted average and the cumulative sum."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import ArrayError, Floats, as_floats
from dripledger.statistics.charts import Chart
from dripledger.statistics.layout import Bools, Ints, above


class Ewma(NamedTuple):
    """Arrays in the shape of the series."""

    value: Floats
    chart: Chart


class Cusum(NamedTuple):
    """Arrays in the shape of the series; sums in the unit of the values."""

    high: Floats
    low: Floats
    #: Points since the sum above (below) last was 0: a signal at i dates the change to after i minus this.
    since_high: Ints
    since_low: Ints
    #: Whether a sum is strictly over the decision limit.
    signal: Bools


def ewma(
    x: npt.ArrayLike,
    target: float,
    sigma: float,
    weight: float = 0.3,
    width: float = 3.0,
    steady: bool = False,
) -> Ewma:
    """Exponentially weighted moving average with limits.

    Parameters
    ----------
    x
        Values; shape (..., points), time on the last axis.
    target
        Where the average starts, and the centre; unit of x.
    sigma
        Standard deviation of single values, above 0; unit of x.
    weight
        Weight of the newest value, 0 < weight <= 1.
    width
        Distance of the limits in standard deviations of the average.
    steady
        Whether the limits are those of a long series from the first point on.

    Returns
    -------
    Ewma
        The average after each point, and its chart.

    Raises
    ------
    ArrayError
        For values that are no finite numbers, and settings out of range.

    Notes
    -----
    Source: NIST/SEMATECH e-Handbook, 6.3.2.4.
    """
    values = _series(x)
    _positive("sigma", sigma)
    if not 0 < weight <= 1:
        raise ArrayError("weight", f"{weight} does not lie above 0 and at most at 1")
    value = np.empty_like(values)
    last = np.full(values.shape[:-1], float(target))
    for i in range(values.shape[-1]):
        last = weight * values[..., i] + (1 - weight) * last
        value[..., i] = last
    steps = np.arange(1, values.shape[-1] + 1)
    share = np.ones(steps.shape) if steady else 1 - (1 - weight) ** (2 * steps)
    reach = np.broadcast_to(width * sigma * np.sqrt(weight / (2 - weight) * share), values.shape)
    low, high = target - reach, target + reach
    signal = above(value, high) | above(low, value)
    return Ewma(value, Chart(np.full(values.shape, float(target)), low, high, signal))


def cusum(x: npt.ArrayLike, target: float, slack: float, decision: float) -> Cusum:
    """Tabular cumulative sums above and below a target.

    Parameters
    ----------
    x
        Values; shape (..., points), time on the last axis.
    target
        The level to compare with; unit of x.
    slack
        What a value may be off before it counts (half the shift to find), 0 or more; unit of x.
    decision
        The sum beyond which there is a signal, above 0; unit of x.

    Returns
    -------
    Cusum
        The two sums after each point, how long each has been above 0, and the signals.

    Raises
    ------
    ArrayError
        For values that are no finite numbers, and settings out of range.

    Notes
    -----
    Source: Montgomery DC, Introduction to Statistical Quality Control, section 9.1 (formula from memory,
    results checked on its Table 9.1).
    """
    values = _series(x)
    _positive("decision", decision)
    if not (slack >= 0 and math.isfinite(slack)):
        raise ArrayError("slack", f"{slack} is no number of 0 or more")
    up, down = np.empty_like(values), np.empty_like(values)
    sums = [np.zeros(values.shape[:-1]), np.zeros(values.shape[:-1])]
    for i in range(values.shape[-1]):
        sums[0] = np.maximum(0, sums[0] + values[..., i] - target - slack)
        sums[1] = np.maximum(0, sums[1] - values[..., i] + target - slack)
        up[..., i], down[..., i] = sums
    limit = np.full(values.shape, float(decision))
    return Cusum(up, down, _since(up), _since(down), above(up, limit) | above(down, limit))


def _since(sums: Floats) -> Ints:
    steps = np.arange(1, sums.shape[-1] + 1)
    last_zero = np.maximum.accumulate(np.where(sums == 0, steps, 0), axis=-1)
    result: Ints = steps - last_zero
    return result


def _series(x: npt.ArrayLike) -> Floats:
    values = as_floats("x", x)
    if values.ndim == 0 or values.shape[-1] == 0:
        raise ArrayError("x", "is empty: a chart needs a series of points")
    return values


def _positive(argument: str, value: float) -> None:
    if not (value > 0 and math.isfinite(value)):
        raise ArrayError(argument, f"{value} is no number above 0")
