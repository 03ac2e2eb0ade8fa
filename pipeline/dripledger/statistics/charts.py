"""Control charts: a centre and limits for each point, and which points lie beyond them.

All take series whose last axis is time; other axes count charts, all at once. A centre and its limits come
from the baseline of each segment, and hold for every point of that segment.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import Floats, as_floats
from dripledger.statistics.intervals import checked_share
from dripledger.statistics.layout import (
    Bools,
    Ints,
    Layout,
    above,
    by_blocks,
    check_mask,
    check_segment,
    check_series,
    lay_out,
)
from dripledger.statistics.poisson import checked_events

#: Mean moving range of two normal values over their standard deviation, as the charts' sources round it.
D2 = 1.128
#: Moving ranges at or above this many times their mean count as extreme (Nelson 1982), for screening.
D4 = 3.267


class Chart(NamedTuple):
    """Arrays in the shape of the series; NaN (and no signal) at points without data."""

    centre: Floats
    low: Floats
    high: Floats
    #: Whether the point lies strictly beyond a limit.
    signal: Bools


class Fit(NamedTuple):
    """What a chart is made of, flat: one element for each point with data."""

    layout: Layout
    value: Floats
    centre: Floats
    #: Standard deviation that the chart expects of this point.
    sigma: Floats
    #: Measured over expected spread of each point's segment (Laney's sigma z); 1 where it is not measured.
    dispersion: Floats


def p_chart(
    x: npt.ArrayLike,
    n: npt.ArrayLike,
    *,
    baseline: npt.ArrayLike | None = None,
    segment: npt.ArrayLike | None = None,
) -> Chart:
    """P chart: shares of independent counts over time, limits by each point's own denominator.

    Parameters
    ----------
    x, n
        Numerators and denominators; whole numbers, 0 <= x <= n; shape (..., points), time on the last axis.
        Points with n = 0 have no data.
    baseline
        True where a point makes the centre of its segment; shape that broadcasts. None: every point.
    segment
        Whole numbers that never fall; each new one starts a centre of its own. None: one segment.

    Returns
    -------
    Chart
        Fractions: centre = sum x / sum n of the baseline, limits centre +/- 3 sqrt(centre (1 - centre) / n)
        cut off at 0 and 1; NaN where a segment has no baseline. Where every share is 0 (or 1) the limits meet
        the centre.

    Raises
    ------
    ArrayError
        For counts that cannot be, an empty series, or shapes that do not fit; names argument and position.

    Notes
    -----
    Source: NIST/SEMATECH e-Handbook, 6.3.3.2. Hours are not independent counts: never a p chart on hours
    (`xmr`). Where months differ more than independent counts would, `laney_p`.
    """
    return by_blocks(_of_shares(lambda fit: fit), (x, n), (baseline, segment))


def u_chart(
    x: npt.ArrayLike,
    exposure: npt.ArrayLike,
    *,
    baseline: npt.ArrayLike | None = None,
    segment: npt.ArrayLike | None = None,
) -> Chart:
    """U chart: rates of independent events over time, limits by each point's own exposure.

    Parameters
    ----------
    x
        Counts of events; whole numbers; shape (..., points), time on the last axis.
    exposure
        Exposure of each point, same unit throughout; 0 (with no event) has no data. A constant exposure of 1
        makes a c chart.
    baseline, segment
        As for `p_chart`.

    Returns
    -------
    Chart
        Events per unit of exposure: centre = sum x / sum exposure, limits centre +/- 3 sqrt(centre /
        exposure), cut off at 0.

    Raises
    ------
    ArrayError
        As for `p_chart`, and for events over no exposure.

    Notes
    -----
    Source: NIST/SEMATECH e-Handbook, 6.3.3.1.
    """
    return by_blocks(_of_rates(lambda fit: fit), (x, exposure), (baseline, segment))


def laney_p(
    x: npt.ArrayLike,
    n: npt.ArrayLike,
    *,
    baseline: npt.ArrayLike | None = None,
    segment: npt.ArrayLike | None = None,
    screen: bool = False,
    floor: float = 0.0,
) -> Chart:
    """P' chart: a p chart whose limits are widened by how much months really differ.

    Parameters
    ----------
    x, n, baseline, segment
        As for `p_chart`.
    screen
        Whether extreme moving ranges (at or above 3.267 times their mean) are left out once; off by default.
    floor
        Least dispersion; 1 never lets the limits be narrower than those of the p chart.

    Returns
    -------
    Chart
        Fractions: limits centre +/- 3 sigma_i times the dispersion, cut off at 0 and 1. NaN limits where a
        segment has no two neighbouring baseline points to measure it by. Where every share is 0 or 1 the
        limits meet the centre.

    Raises
    ------
    ArrayError
        As for `p_chart`.

    Notes
    -----
    Source: Laney DB. Quality Engineering 2002;14(4):531-537, formula as open code has it: z = (p - centre) /
    sigma_i; dispersion = mean |z_i - z_(i-1)| / 1.128.
    """
    make = _of_shares(lambda fit: widened(fit, screen, floor))
    return by_blocks(make, (x, n), (baseline, segment))


def laney_u(
    x: npt.ArrayLike,
    exposure: npt.ArrayLike,
    *,
    baseline: npt.ArrayLike | None = None,
    segment: npt.ArrayLike | None = None,
    screen: bool = False,
    floor: float = 0.0,
) -> Chart:
    """U' chart: a u chart whose limits are widened by how much months really differ.

    Parameters
    ----------
    x, exposure, baseline, segment
        As for `u_chart`.
    screen, floor
        As for `laney_p`.

    Returns
    -------
    Chart
        Events per unit of exposure; limits centre +/- 3 sigma_i times the dispersion, cut off at 0.

    Raises
    ------
    ArrayError
        As for `u_chart`.

    Notes
    -----
    Source: as for `laney_p`, with sigma_i = sqrt(centre / exposure_i).
    """
    make = _of_rates(lambda fit: widened(fit, screen, floor))
    return by_blocks(make, (x, exposure), (baseline, segment))


def xmr(
    x: npt.ArrayLike,
    *,
    missing: npt.ArrayLike | None = None,
    baseline: npt.ArrayLike | None = None,
    segment: npt.ArrayLike | None = None,
    screen: bool = False,
    factor: float = 3 / D2,
) -> Chart:
    """XmR chart: single values over time, limits from how much neighbours differ.

    Parameters
    ----------
    x
        Values in one unit; shape (..., points), time on the last axis.
    missing
        True where a point has no data (its x is not read, but must be a number). None: all have.
    baseline, segment
        As for `p_chart`.
    screen
        Whether moving ranges at or above 3.267 times their mean are left out once; off by default.
    factor
        Half the distance between the limits over the mean moving range; 3 / 1.128, which print rounds to
        2.66.

    Returns
    -------
    Chart
        In the unit of x: centre = mean of the baseline, limits centre +/- factor times the mean moving range
        of neighbours that are both in the baseline; not cut off. NaN limits where there are no such two.

    Raises
    ------
    ArrayError
        For a value that is no finite number, an empty series, or shapes that do not fit.

    Notes
    -----
    Source: NIST/SEMATECH e-Handbook, 6.3.2.2; screening: Nelson LS. J Quality Technology 1982;14:172-173.
    """

    def make(
        v: npt.ArrayLike, m: npt.ArrayLike | None, b: npt.ArrayLike | None, s: npt.ArrayLike | None
    ) -> Chart:
        values = as_floats("x", v)
        check_series("x", values.shape)
        gone = check_mask("missing", m, values.shape)
        base, parts = check_mask("baseline", b, values.shape), check_segment(s, values.shape)
        return drawn(value_fit(values, gone, base, parts, screen, factor), -np.inf, np.inf)

    return by_blocks(make, (x,), (missing, baseline, segment))


def moving_range_chart(x: npt.ArrayLike) -> Chart:
    """Chart of the moving ranges |x_i - x_(i-1)| themselves.

    Parameters
    ----------
    x
        Values in one unit; shape (..., points), at least two points.

    Returns
    -------
    Chart
        Shape (..., points - 1): centre = mean range, low 0, high 3.267 times the mean range.

    Raises
    ------
    ArrayError
        As for `xmr`.
    """
    ranges = np.abs(np.diff(as_floats("x", x), axis=-1))
    check_series("x", ranges.shape)
    layout = lay_out(np.ones(ranges.shape, np.bool_))
    flat = layout.flat(ranges)
    centre = (layout.total(flat, layout.base) / layout.how_many(layout.base))[layout.stretch]
    return drawn(Fit(layout, flat, centre, centre * (D4 - 1) / 3, np.ones_like(centre)), 0.0, np.inf)


def _of_shares(change: Callable[[Fit], Fit]) -> Callable[..., Chart]:
    def make(x: npt.ArrayLike, n: npt.ArrayLike, b: npt.ArrayLike | None, s: npt.ArrayLike | None) -> Chart:
        hits, total = checked_share("x", x, "n", n)
        check_series("x", hits.shape)
        base, parts = check_mask("baseline", b, hits.shape), check_segment(s, hits.shape)
        return drawn(change(share_fit(hits, total, base, parts)), 0.0, 1.0)

    return make


def _of_rates(change: Callable[[Fit], Fit]) -> Callable[..., Chart]:
    def make(x: npt.ArrayLike, t: npt.ArrayLike, b: npt.ArrayLike | None, s: npt.ArrayLike | None) -> Chart:
        events, time = checked_events("x", x, "exposure", t)
        check_series("x", events.shape)
        base, parts = check_mask("baseline", b, events.shape), check_segment(s, events.shape)
        return drawn(change(rate_fit(events, time, base, parts)), 0.0, np.inf)

    return make


def share_fit(hits: Floats, total: Floats, baseline: Bools | None = None, segment: Ints | None = None) -> Fit:
    """Return centre and binomial spread of checked shares, flat; a total of 0 is no data."""
    layout = lay_out(total > 0, baseline, segment)
    hits, total = layout.flat(hits), layout.flat(total)
    with np.errstate(divide="ignore", invalid="ignore"):
        centre = (layout.total(hits, layout.base) / layout.total(total, layout.base))[layout.stretch]
        return Fit(layout, hits / total, centre, np.sqrt(centre * (1 - centre) / total), np.ones_like(centre))


def rate_fit(events: Floats, time: Floats, baseline: Bools | None = None, segment: Ints | None = None) -> Fit:
    """Return centre and Poisson spread of checked rates, flat; an exposure of 0 is no data."""
    layout = lay_out(time > 0, baseline, segment)
    events, time = layout.flat(events), layout.flat(time)
    with np.errstate(divide="ignore", invalid="ignore"):
        centre = (layout.total(events, layout.base) / layout.total(time, layout.base))[layout.stretch]
        return Fit(layout, events / time, centre, np.sqrt(centre / time), np.ones_like(centre))


def value_fit(
    values: Floats,
    gone: Bools | None = None,
    baseline: Bools | None = None,
    segment: Ints | None = None,
    screen: bool = False,
    factor: float = 3 / D2,
) -> Fit:
    """Return centre and spread of checked single values, flat."""
    present = np.ones(values.shape, np.bool_) if gone is None else ~gone
    layout = lay_out(present, baseline, segment)
    flat = layout.flat(values)
    with np.errstate(divide="ignore", invalid="ignore"):
        centre = (layout.total(flat, layout.base) / layout.how_many(layout.base))[layout.stretch]
    spread = _mean_range(layout, flat, screen) * factor / 3
    return Fit(layout, flat, centre, spread, np.ones_like(spread))


def widened(fit: Fit, screen: bool = False, floor: float = 0.0) -> Fit:
    """Return a fit whose spread is multiplied by the dispersion that neighbouring points show."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(fit.sigma > 0, (fit.value - fit.centre) / fit.sigma, 0.0)
    dispersion = np.maximum(_mean_range(fit.layout, z, screen) / D2, floor)
    sigma = np.where(fit.sigma > 0, fit.sigma * dispersion, fit.sigma)
    return fit._replace(sigma=sigma, dispersion=dispersion)


def drawn(fit: Fit, least: float, most: float) -> Chart:
    """Return the chart of a fit in the shape of its series, limits cut off at what is possible."""
    low = np.clip(fit.centre - 3 * fit.sigma, least, most)
    high = np.clip(fit.centre + 3 * fit.sigma, least, most)
    signal = above(fit.value, high) | above(low, fit.value)
    shaped = fit.layout.shaped
    return Chart(shaped(fit.centre, np.nan), shaped(low, np.nan), shaped(high, np.nan), shaped(signal, False))


def _mean_range(layout: Layout, values: Floats, screen: bool) -> Floats:
    """Return for each flat point the mean moving range of its stretch; NaN where it has none."""
    ranges = np.zeros_like(values)
    ranges[1:] = np.abs(np.diff(values))
    use = layout.base & ~layout.first
    use[1:] &= layout.base[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = layout.total(ranges, use) / layout.how_many(use)
        if screen:
            use &= ~(ranges >= D4 * mean[layout.stretch])
            mean = layout.total(ranges, use) / layout.how_many(use)
    return mean[layout.stretch]
