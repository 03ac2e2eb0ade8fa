"""Exact intervals for counts of events over an exposure, and for the ratio of two rates."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import Floats, as_amounts, as_counts, check_level, refuse, together
from dripledger.statistics.intervals import Interval, clopper_pearson


def garwood(x: npt.ArrayLike, exposure: npt.ArrayLike = 1.0, level: float = 0.95) -> Interval:
    """Exact interval of a rate of independent events.

    Parameters
    ----------
    x
        Counts of events; whole numbers, 0 or more; any shape that broadcasts with `exposure`.
    exposure
        Exposure that they were counted over (hours, 100 hours, pumps), 0 or more.
    level
        Two-sided confidence level, between 0 and 1.

    Returns
    -------
    Interval
        Events per unit of exposure, in the common shape. `low` is exactly 0 at x = 0. NaN where the exposure
        is 0.

    Raises
    ------
    ArrayError
        For a count that is negative or no whole number, a negative exposure, or events over no exposure.

    Notes
    -----
    Source: Garwood F. Biometrika 1936;28:437-442: low = chi2(a/2; 2x)/2, high = chi2(1-a/2; 2x+2)/2, here as
    gamma quantiles from scipy. Events that come in clusters (alerts of one infusion) are not independent: for
    them this interval is far too narrow, and one widened by the measured dispersion belongs in its place.

    Examples
    --------
    >>> low, high = garwood(14, 400)
    >>> float(low.round(6)), float(high.round(6))
    (0.019135, 0.058724)
    """
    from scipy import special

    tail = (1 - check_level(level)) / 2
    events, time = checked_events("x", x, "exposure", exposure)
    low = np.where(events == 0, 0.0, special.gammaincinv(np.maximum(events, 1), tail))
    high = special.gammaincinv(events + 1, 1 - tail)
    with np.errstate(divide="ignore", invalid="ignore"):
        empty = time == 0
        return Interval(np.where(empty, np.nan, low / time), np.where(empty, np.nan, high / time))


def rate_ratio(
    x1: npt.ArrayLike, t1: npt.ArrayLike, x2: npt.ArrayLike, t2: npt.ArrayLike, level: float = 0.95
) -> Interval:
    """Exact interval of the ratio of two rates of independent events, (x1/t1) / (x2/t2).

    Parameters
    ----------
    x1, x2
        Counts of events; whole numbers, 0 or more; shapes that broadcast.
    t1, t2
        Exposures in one unit, above 0 where there are events.
    level
        Two-sided confidence level, between 0 and 1.

    Returns
    -------
    Interval
        Ratios from 0 to infinity, in the common shape: `low` is 0 where x1 is 0, `high` infinite where x2 is
        0; NaN where neither has an event or an exposure is 0.

    Raises
    ------
    ArrayError
        As for `garwood`.

    Notes
    -----
    Given the total of events, x1 is binomial; its exact limits p become p / (1 - p) * t2 / t1
    (Przyborowski J, Wilenski H. Biometrika 1940;31:313-323, from memory; checked against the output of R's
    `poisson.test`).

    Examples
    --------
    >>> low, high = rate_ratio(9983, 1, 10291, 1)
    >>> float(low.round(6)), float(high.round(6))
    (0.943631, 0.997248)
    """
    a, time_a, b, time_b = _two_rates(x1, t1, x2, t2)
    share = clopper_pearson(a, a + b, level)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where((time_a == 0) | (time_b == 0), np.nan, time_b / time_a)
        return Interval(share.low / (1 - share.low) * scale, share.high / (1 - share.high) * scale)


def rate_ratio_p_value(x1: npt.ArrayLike, t1: npt.ArrayLike, x2: npt.ArrayLike, t2: npt.ArrayLike) -> Floats:
    """Two-sided exact p-value for two equal rates: all splits that are no likelier than the one seen.

    Parameters
    ----------
    x1, t1, x2, t2
        As for `rate_ratio`.

    Returns
    -------
    numpy.ndarray
        p-values 0-1 in the common shape; 1 where neither has an event, NaN where an exposure is 0.

    Raises
    ------
    ArrayError
        As for `rate_ratio`.

    Notes
    -----
    scipy's `binomtest`, one pair at a time. Its two-sided p-value and the interval of `rate_ratio` come from
    different rules, and can differ on the edge.
    """
    from scipy import stats

    a, time_a, b, time_b = _two_rates(x1, t1, x2, t2)
    out = np.full(a.shape, np.nan)
    for place in np.ndindex(a.shape):
        if time_a[place] > 0 and time_b[place] > 0:
            events = int(a[place] + b[place])
            fair = float(time_a[place] / (time_a[place] + time_b[place]))
            out[place] = stats.binomtest(int(a[place]), events, fair).pvalue if events else 1.0
    return out


def _two_rates(
    x1: npt.ArrayLike, t1: npt.ArrayLike, x2: npt.ArrayLike, t2: npt.ArrayLike
) -> tuple[Floats, Floats, Floats, Floats]:
    a, time_a = checked_events("x1", x1, "t1", t1)
    b, time_b = checked_events("x2", x2, "t2", t2)
    a, time_a, b, time_b = together(x1=a, t1=time_a, x2=b, t2=time_b)
    return a, time_a, b, time_b


def checked_events(name_x: str, x: npt.ArrayLike, name_t: str, t: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return counts of events and exposures in their common shape; events need an exposure."""
    events, time = together(**{name_x: as_counts(name_x, x), name_t: as_amounts(name_t, t)})
    refuse(name_x, events, (events > 0) & (time == 0), "events over no exposure")
    return events, time
