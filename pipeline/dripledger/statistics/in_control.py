"""How often the rules cry wolf: series without any change, read by the rules, by seeded simulation."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from dripledger.statistics.arrays import ArrayError, Floats
from dripledger.statistics.chart_model import Look
from dripledger.statistics.charts import Fit, rate_fit, share_fit, value_fit, widened
from dripledger.statistics.judging import exact_of
from dripledger.statistics.layout import lay_out
from dripledger.statistics.rules import completions_of

#: Points that make the limits of a segment; with fewer the limits are trial limits.
BASELINE_POINTS = 12
_SERIES = 20_000
_SEED = 20_260_101
#: Expected counts from which a chart of counts has the false signals of normal values.
_NORMAL_FROM = 20
#: Series drawn for one chart of fewer.
_OWN_SERIES = 2_000


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


@lru_cache(maxsize=4096)
def own_rates(look: Look, *, series: int = _OWN_SERIES, seed: int = _SEED) -> RuleRates:
    """Measure each rule's false signals at the newest point of this very chart of counts.

    Parameters
    ----------
    look
        The chart: its denominators, and the centre and dispersion of its baseline, taken as the true ones.
    series, seed
        As for `in_control_rates`.

    Returns
    -------
    RuleRates
        Chances by rule.

    Notes
    -----
    Counts are drawn around the centre, binomial or Poisson, or as much wider as was measured (beta-binomial,
    negative binomial), and each series is judged as `read_chart` judges it, its own first 12 points being its
    baseline. A baseline without any (or with nothing else) is taken to leave half a count possible.
    """
    rng = np.random.Generator(np.random.PCG64([seed, look.points, int(look.share)]))
    sizes = np.asarray(look.sizes, np.float64)
    shape = (series, sizes.size)
    half = 0.5 / float(sizes[:BASELINE_POINTS].sum())
    centre = max(look.centre, half) if not look.share else float(np.clip(look.centre, half, 1 - half))
    ratio = max(look.dispersion, 1.0) ** 2
    x = _shares(rng, centre, sizes, ratio, shape) if look.share else _events(rng, centre, sizes, ratio, shape)
    whole = np.broadcast_to(sizes, shape)
    baseline = np.broadcast_to(np.arange(sizes.size) < BASELINE_POINTS, shape)
    fit = widened((share_fit if look.share else rate_fit)(x, whole, baseline), floor=1.0)
    newest = np.broadcast_to(np.arange(sizes.size) == sizes.size - 1, shape)
    complete = completions_of(fit, exact_of(fit, fit.layout.flat(whole), look.share, newest.ravel()))
    found = [np.asarray(rule)[:, -1] != 0 for rule in complete]
    return RuleRates(*(float(np.mean(rule)) for rule in (*found, np.logical_or.reduce(found))))


def _shares(
    rng: np.random.Generator, centre: float, sizes: Floats, ratio: float, shape: tuple[int, int]
) -> Floats:
    whole = sizes.astype(np.int64)
    if ratio == 1:
        return rng.binomial(whole, centre, shape).astype(np.float64)
    # Within one month, counts are alike to this degree; the ratio is 1 + (n - 1) times it.
    alike = np.clip((ratio - 1) / np.maximum(sizes - 1, 1), 1e-9, 0.95)
    prior = 1 / alike - 1
    return rng.binomial(whole, rng.beta(centre * prior, (1 - centre) * prior, shape)).astype(np.float64)


def _events(
    rng: np.random.Generator, centre: float, sizes: Floats, ratio: float, shape: tuple[int, int]
) -> Floats:
    mean = centre * sizes
    if ratio > 1:
        mean = rng.gamma(mean / (ratio - 1), ratio - 1, shape)
    return rng.poisson(mean, shape).astype(np.float64)


def expected_false_signals(charts: Iterable[Look]) -> RuleRates:
    """Add up the false signals to expect this month over all charts looked at.

    Parameters
    ----------
    charts
        What each chart was judged by (`looked_at` of its reading).

    Returns
    -------
    RuleRates
        Expected numbers (not chances) by rule; in `any`, of charts with a signal. Charts without points add
        nothing.

    Notes
    -----
    A chart whose months all expect 20 counts or more, and one of single values, has the rates of normal
    values (`in_control_rates`); every other is simulated with its own denominators, centre and dispersion.
    """
    total = np.zeros(len(RuleRates._fields))
    for look in charts:
        if look.points >= 1:
            own = look.counts and bool(look.sizes) and _least_expected(look) < _NORMAL_FROM
            total += np.array(own_rates(look) if own else in_control_rates(look.points, counts=look.counts))
    return RuleRates(*(float(value) for value in total))


def _least_expected(look: Look) -> float:
    rare = min(look.centre, 1 - look.centre) if look.share else look.centre
    return rare * min(look.sizes)
