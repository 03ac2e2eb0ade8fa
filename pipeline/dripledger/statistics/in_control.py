"""How often the rules cry wolf: series without any change, read by the rules, by seeded simulation."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from dripledger.statistics.arrays import ArrayError, Floats
from dripledger.statistics.charts import Fit, value_fit, widened
from dripledger.statistics.layout import lay_out
from dripledger.statistics.rules import completions_of

#: Points that make the limits of a segment; with fewer the limits are trial limits.
BASELINE_POINTS = 12
_SERIES = 20_000
_SEED = 20_260_101


class RuleRates(NamedTuple):
    """Chance, 0-1, that a pattern of each rule is complete at the newest point, though nothing changed.

    A pattern that was complete the month before and goes on counts again: the reader is shown it again.
    """

    beyond: float
    shift: float
    trend: float
    near: float
    #: Of any rule: less than the sum, since one point can complete several.
    any: float


@lru_cache(maxsize=256)
def in_control_rates(points: int, *, counts: bool, series: int = _SERIES, seed: int = _SEED) -> RuleRates:
    """Measure each rule's false signals at the newest point of a chart as `read_chart` draws it.

    Parameters
    ----------
    points
        Points of the newest segment, 1 or more.
    counts
        True for charts of counts (p, u and their widened forms, which never are narrower than chance); False
        for charts of single values (XmR).
    series
        Series to draw; the standard error of a rate r is sqrt(r (1 - r) / series).
    seed
        Seed of the generator.

    Returns
    -------
    RuleRates
        Chances by rule.

    Raises
    ------
    ArrayError
        For fewer than one point or series.

    Notes
    -----
    Points are independent and normal: counts large enough for the limits to hold. The centre, and the spread
    where the chart measures it, come from the first 12 points, as in the real chart: that makes false signals
    more frequent than textbook figures for known limits.
    """
    for name, number in (("points", points), ("series", series)):
        if number < 1:
            raise ArrayError(name, f"{number} is not 1 or more")
    rng = np.random.Generator(np.random.PCG64([seed, points, int(counts)]))
    z = rng.standard_normal((series, points))
    complete = completions_of(standard_fit(z, counts))
    newest = [np.asarray(rule)[:, -1] != 0 for rule in complete]
    every = [*newest, np.logical_or.reduce(newest)]
    return RuleRates(*(float(np.mean(rule)) for rule in every))


def standard_fit(z: Floats, counts: bool) -> Fit:
    """Return the fit of standard normal series as a chart of counts, or of single values, would make it."""
    baseline = np.broadcast_to(np.arange(z.shape[-1]) < BASELINE_POINTS, z.shape)
    if not counts:
        return value_fit(z, None, baseline)
    layout = lay_out(np.ones(z.shape, np.bool_), baseline)
    flat = layout.flat(z)
    centre = (layout.total(flat, layout.base) / layout.how_many(layout.base))[layout.stretch]
    return widened(Fit(layout, flat, centre, np.ones_like(flat), np.ones_like(flat)), floor=1.0)


def expected_false_signals(charts: Iterable[tuple[int, bool]]) -> RuleRates:
    """Add up the false signals to expect this month over all charts looked at.

    Parameters
    ----------
    charts
        For each chart: points of its newest segment, and whether it is a chart of counts.

    Returns
    -------
    RuleRates
        Expected numbers (not chances) by rule; in `any`, of charts with a signal. Charts without points add
        nothing.
    """
    total = np.zeros(len(RuleRates._fields))
    for points, counts in charts:
        if points >= 1:
            total += np.array(in_control_rates(points, counts=counts))
    return RuleRates(*(float(value) for value in total))
