"""Funnel limits between areas, and how much areas differ beyond chance.

Sources: Spiegelhalter DJ. Stat Med 2005;24:1185-1202, and Qual Saf Health Care 2005;14:347-351; the formulas
as open implementations have them (the papers were not opened; page numbers from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics import poisson_law
from dripledger.statistics.arrays import (
    ArrayError,
    Floats,
    as_amounts,
    as_counts,
    as_floats,
    check_level,
    refuse,
    together,
)
from dripledger.statistics.intervals import Interval, checked_share
from dripledger.statistics.quantiles import normal_quantile

#: The two pairs of limits that a funnel shows.
INNER, OUTER = 0.95, 0.998
#: Part of the z-scores pulled in at either end before dispersion is measured.
WINSOR_PART = 0.1
#: Areas below which a measured dispersion is a guess.
AREAS_LEAST = 10


class Scores(NamedTuple):
    """Areas on a scale where chance alone has one known spread; arrays of shape (areas,)."""

    #: Value on that scale less the target's.
    distance: Floats
    #: Standard deviation that chance gives it.
    sigma: Floats
    #: distance / sigma.
    z: Floats


class Dispersion(NamedTuple):
    """How much areas differ beyond chance."""

    #: Mean squared winsorised z; about 1 (a little less) by chance alone.
    phi: float
    #: Variance between areas on the scale of the scores; 0 where chance explains what is seen.
    tau2: float


def funnel_limits(target: npt.ArrayLike, n: npt.ArrayLike, level: float = OUTER) -> Interval:
    """Limits that the share of an area with n counts stays within, `level` of the time, at the target share.

    Parameters
    ----------
    target
        Share of all areas together, 0-1; broadcasts with `n`.
    n
        Denominators; whole numbers, 0 or more.
    level
        Part of the time between the limits: 0.95 and 0.998 are usual.

    Returns
    -------
    Interval
        Fractions 0-1 in the common shape; NaN where n is 0; both equal the target where it is 0 or 1.

    Raises
    ------
    ArrayError
        For a target outside 0-1, or an n that is negative or no whole number.

    Notes
    -----
    Exact binomial, made smooth by interpolation: with r the smallest count whose cumulative probability is at
    least p, the limit is (r - a) / n with a = (P(R <= r) - p) / P(R = r), at least 0.
    """
    from scipy import stats

    tail = (1 - check_level(level)) / 2
    theta, total = together(target=as_amounts("target", target), n=as_counts("n", n))
    refuse("target", theta, theta > 1, "is more than 1; a share is a fraction")
    usable = (total > 0) & (theta > 0) & (theta < 1)
    safe_n, safe_theta = np.where(usable, total, 1), np.where(usable, theta, 0.5)
    ends = []
    for p in (tail, 1 - tail):
        r = stats.binom.ppf(p, safe_n, safe_theta)
        r_or_fewer, just_r = stats.binom.cdf(r, safe_n, safe_theta), stats.binom.pmf(r, safe_n, safe_theta)
        ends.append(_smooth(r, r_or_fewer, just_r, p))
    fixed = np.where(total > 0, theta, np.nan)
    return Interval(*(np.where(usable, end / safe_n, fixed) for end in ends))


def rate_funnel_limits(target: npt.ArrayLike, exposure: npt.ArrayLike, level: float = OUTER) -> Interval:
    """Limits that an area's rate stays within at the target rate; exact Poisson, interpolated.

    Parameters
    ----------
    target
        Rate of all areas together, events per unit of exposure, 0 or more; broadcasts.
    exposure
        Exposures, 0 or more. With target 1 and expected counts, these are limits of a standardised ratio.
    level
        As for `funnel_limits`.

    Returns
    -------
    Interval
        Rates in the common shape; NaN where the exposure is 0; 0 where the target is 0.

    Raises
    ------
    ArrayError
        For a negative target or exposure.
    """
    tail = (1 - check_level(level)) / 2
    theta, time = together(target=as_amounts("target", target), exposure=as_amounts("exposure", exposure))
    usable = (time > 0) & (theta > 0)
    mean = np.where(usable, theta * time, 1.0)
    ends = []
    for p in (tail, 1 - tail):
        r = poisson_law.quantile(p, mean)
        ends.append(_smooth(r, poisson_law.at_most(r, mean), poisson_law.exactly(r, mean), p))
    fixed = np.where(time > 0, theta, np.nan)
    return Interval(*(np.where(usable, end / np.where(usable, time, 1.0), fixed) for end in ends))


def ratio_funnel_limits(expected: npt.ArrayLike, level: float = OUTER) -> Interval:
    """Limits of a standardised ratio around 1, by the chi-square form.

    Parameters
    ----------
    expected
        Expected counts, 0 or more.
    level
        As for `funnel_limits`.

    Returns
    -------
    Interval
        Ratios; NaN where nothing is expected.

    Raises
    ------
    ArrayError
        For a negative expectation.

    Notes
    -----
    low = chi2(p; 2E) / 2E, high = chi2(1 - p; 2E + 2) / 2E.
    """
    from scipy import special

    tail = (1 - check_level(level)) / 2
    e = as_amounts("expected", expected)
    safe = np.where(e > 0, e, 1.0)
    low, high = special.gammaincinv(safe, tail) / safe, special.gammaincinv(safe + 1, 1 - tail) / safe
    return Interval(np.where(e > 0, low, np.nan), np.where(e > 0, high, np.nan))


def _smooth(r: Floats, cumulative: Floats, probability: Floats, p: float) -> Floats:
    result: Floats = np.maximum(r - (cumulative - p) / probability, 0.0)
    return result


def share_scores(x: npt.ArrayLike, n: npt.ArrayLike, target: float | None = None) -> Scores:
    """Scores of shares on the arcsine scale.

    Parameters
    ----------
    x, n
        Counts, whole numbers, 0 <= x <= n, n above 0; shape (areas,).
    target
        Share to compare with; None: sum x / sum n.

    Returns
    -------
    Scores
        distance = asin(sqrt(x/n)) - asin(sqrt(target)), sigma = 1 / (2 sqrt n).

    Raises
    ------
    ArrayError
        As for `wilson`, for an n of 0 and for no area at all.
    """
    hits, total = checked_share("x", x, "n", n)
    _areas("n", total)
    middle = float(hits.sum() / total.sum()) if target is None else float(target)
    if not 0 <= middle <= 1:
        raise ArrayError("target", f"{middle} does not lie between 0 and 1")
    return _scores(np.arcsin(np.sqrt(hits / total)) - np.arcsin(np.sqrt(middle)), 0.5 / np.sqrt(total))


def ratio_scores(observed: npt.ArrayLike, expected: npt.ArrayLike, log: bool = False) -> Scores:
    """Scores of standardised ratios, or of rates over what their exposure lets expect.

    Parameters
    ----------
    observed
        Counts; whole numbers, 0 or more; shape (areas,).
    expected
        Expected counts, above 0.
    log
        Whether the scale is the logarithm (then counts must be above 0) instead of the square root.

    Returns
    -------
    Scores
        Square root: sqrt(O/E) - 1, sigma = 1 / (2 sqrt E). Logarithm: ln(O/E), sigma = 1 / sqrt E.

    Raises
    ------
    ArrayError
        For a count that cannot be, an expectation of 0, a count of 0 on the logarithmic scale, no area.
    """
    o, e = together(observed=as_counts("observed", observed), expected=as_amounts("expected", expected))
    _areas("expected", e)
    if not log:
        return _scores(np.sqrt(o / e) - 1, 0.5 / np.sqrt(e))
    refuse("observed", o, o == 0, "has no logarithm")
    return _scores(np.log(o / e), 1 / np.sqrt(e))


def _areas(argument: str, size: Floats) -> None:
    if size.ndim != 1 or size.size == 0:
        raise ArrayError(argument, f"has shape {size.shape}; one row of areas is wanted, at least one")
    refuse(argument, size, size == 0, "says nothing about an area; leave it out")


def _scores(distance: Floats, sigma: Floats) -> Scores:
    return Scores(distance, sigma, distance / sigma)


def winsorised(z: npt.ArrayLike, part: float = WINSOR_PART) -> Floats:
    """Return z-scores with the outermost pulled in, so that outliers do not hide by widening the limits.

    Parameters
    ----------
    z
        Scores; shape (areas,), at least one.
    part
        Part pulled in at either end, to the quantile there (linear interpolation), 0 to under one half.

    Returns
    -------
    numpy.ndarray
        Scores in the order given.

    Raises
    ------
    ArrayError
        For a score that is no finite number, no score, or a part out of range.
    """
    scores = as_floats("z", z)
    if not 0 <= part < 0.5:
        raise ArrayError("part", f"{part} does not lie from 0 to under one half")
    if scores.size == 0:
        raise ArrayError("z", "is empty")
    low, high = np.quantile(scores, [part, 1 - part])
    return np.clip(scores, low, high)


def dispersion(z: npt.ArrayLike, sigma: npt.ArrayLike, part: float = WINSOR_PART) -> Dispersion:
    """Measure how much areas differ beyond chance, by an additive variance.

    Parameters
    ----------
    z, sigma
        Scores of areas, and the spread that chance gives each; shape (areas,).
    part
        Part winsorised at either end.

    Returns
    -------
    Dispersion
        phi = sum(z_w^2) / I; tau2 = (I phi - (I - 1)) / (sum w - sum w^2 / sum w) with w = 1 / sigma^2, at
        least 0, and 0 for a single area. Under 10 areas it is a guess, and must be called one.

    Raises
    ------
    ArrayError
        For values that are no finite numbers, a sigma of 0 or below, no area.
    """
    scores, spread = together(z=as_floats("z", z), sigma=as_floats("sigma", sigma))
    refuse("sigma", spread, spread <= 0, "is not above 0")
    pulled = winsorised(scores, part)
    areas = pulled.size
    phi = float(np.sum(pulled**2)) / areas
    weight = 1 / spread**2
    room = float(weight.sum() - (weight**2).sum() / weight.sum())
    excess = areas * phi - (areas - 1)
    return Dispersion(phi, excess / room if excess > 0 and areas > 1 else 0.0)


def widened_share_limits(target: float, n: npt.ArrayLike, tau2: float, level: float = OUTER) -> Interval:
    """Funnel limits of a share where areas differ beyond chance, on the arcsine scale.

    Parameters
    ----------
    target
        Share of all areas together, 0-1.
    n
        Denominators, above 0.
    tau2
        Variance between areas from `dispersion` of `share_scores`.
    level
        As for `funnel_limits`.

    Returns
    -------
    Interval
        Fractions 0-1.

    Raises
    ------
    ArrayError
        For an n of 0 or a target outside 0-1.
    """
    z = normal_quantile(0.5 + check_level(level) / 2)
    total = as_counts("n", n)
    refuse("n", total, total == 0, "says nothing about an area")
    if not 0 <= target <= 1:
        raise ArrayError("target", f"{target} does not lie between 0 and 1")
    reach = z * np.sqrt(0.25 / total + tau2)
    middle = np.arcsin(np.sqrt(target))
    return Interval(
        np.sin(np.clip(middle - reach, 0, np.pi / 2)) ** 2, np.sin(np.clip(middle + reach, 0, np.pi / 2)) ** 2
    )


def widened_ratio_limits(expected: npt.ArrayLike, tau2: float, level: float = OUTER) -> Interval:
    """Funnel limits of a ratio around 1 where areas differ beyond chance, on the square-root scale.

    Parameters
    ----------
    expected
        Expected counts, above 0.
    tau2
        Variance between areas from `dispersion` of `ratio_scores` (square root).
    level
        As for `funnel_limits`.

    Returns
    -------
    Interval
        Ratios, 0 or more.

    Raises
    ------
    ArrayError
        For an expectation of 0.
    """
    z = normal_quantile(0.5 + check_level(level) / 2)
    e = as_amounts("expected", expected)
    refuse("expected", e, e == 0, "says nothing about an area")
    reach = z * np.sqrt(0.25 / e + tau2)
    return Interval(np.maximum(1 - reach, 0) ** 2, (1 + reach) ** 2)
