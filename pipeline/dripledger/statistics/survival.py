"""Times to an event of which some were not seen to happen: Kaplan-Meier, with quantiles."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import ArrayError, Floats, as_floats, check_level, refuse
from dripledger.statistics.quantiles import normal_quantile


class Survival(NamedTuple):
    """The curve at each time at which something happened; arrays of one shape (times,)."""

    time: Floats
    #: Under observation just before the time.
    at_risk: npt.NDArray[np.int64]
    #: That happened at the time.
    happened: npt.NDArray[np.int64]
    #: Share for which it has not happened by then, the time included.
    share: Floats
    #: Greenwood's standard error of `share`.
    error: Floats


class SurvivalQuantile(NamedTuple):
    """A quantile of the times with its limits; NaN where too few were seen to happen to tell."""

    value: float
    low: float
    high: float


def kaplan_meier(time: npt.ArrayLike, seen: npt.ArrayLike) -> Survival:
    """Product-limit estimate of the share for which the event has not happened yet.

    Parameters
    ----------
    time
        How long each case was watched, 0 or more, in any unit; shape (cases,).
    seen
        Whether the event was seen at the end of that time (else the case is censored there); shape (cases,).

    Returns
    -------
    Survival
        Arrays of shape (distinct times at which an event was seen,), times ascending, in the unit of `time`.

    Raises
    ------
    ArrayError
        For a negative or missing time, or shapes that differ.

    Notes
    -----
    A case that is censored at the time of an event counts as at risk at it. Source: Kaplan EL, Meier P,
    Journal of the American Statistical Association 1958;53:457-481; the standard error is Greenwood's (1926).
    Both from memory; a published worked example is in the tests.

    Examples
    --------
    >>> curve = kaplan_meier([1, 2, 2, 3], [True, True, False, True])
    >>> curve.share.tolist()
    [0.75, 0.5, 0.0]
    """
    times, flags = _cases(time, seen)
    moments, place = np.unique(times, return_inverse=True)
    place = place.reshape(-1)
    left = np.bincount(place, minlength=len(moments))
    happened = np.bincount(place[flags], minlength=len(moments))
    at_risk = len(times) - np.concatenate(([0], np.cumsum(left)[:-1])) if len(moments) else left
    some = happened > 0
    moments, happened, at_risk = moments[some], happened[some], at_risk[some]
    with np.errstate(divide="ignore", invalid="ignore"):
        share: Floats = np.cumprod(1 - happened / at_risk).astype(np.float64)
        spread = np.cumsum(happened / (at_risk * (at_risk - happened)))
        error: Floats = np.where(share > 0, share * np.sqrt(spread), 0.0).astype(np.float64)
    return Survival(moments, at_risk.astype(np.int64), happened.astype(np.int64), share, error)


def survival_quantile(
    time: npt.ArrayLike, seen: npt.ArrayLike, share: float = 0.5, level: float = 0.95
) -> SurvivalQuantile:
    """Time by which the event has happened for this share of cases.

    Parameters
    ----------
    time, seen
        As in `kaplan_meier`; shape (cases,).
    share
        Share of cases, between 0 and 1: 0.5 is the median, 0.9 the time that nine of ten do not exceed.
    level
        Two-sided confidence level, between 0 and 1.

    Returns
    -------
    SurvivalQuantile
        In the unit of `time`. NaN where the curve does not come down that far: fewer were seen to happen.

    Raises
    ------
    ArrayError
        As `kaplan_meier`, or for a share outside (0, 1).

    Notes
    -----
    The value is the first time at which the curve is at 1 - share or below. The limits are the first times at
    which the pointwise limits of the curve, on the complementary log-log scale, are (Brookmeyer R, Crowley J,
    Biometrics 1982;38:29-41, from memory; their median interval, on the scale of Kalbfleisch and Prentice).
    """
    if not 0 < share < 1:
        raise ArrayError("share", f"{share} does not lie between 0 and 1; the median is written 0.5")
    z = normal_quantile(0.5 + check_level(level) / 2)
    curve = kaplan_meier(time, seen)
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.log(-np.log(curve.share))
        reach = z * curve.error / (curve.share * np.abs(np.log(curve.share)))
        # Where all have had the event the curve is 0, and nothing tells how sure that is: both limits are 0.
        over = np.where(curve.share > 0, np.exp(-np.exp(scaled - reach)), 0.0)
        under = np.where(curve.share > 0, np.exp(-np.exp(scaled + reach)), 0.0)
    return SurvivalQuantile(
        _first_below(curve.time, curve.share, 1 - share),
        _first_below(curve.time, under, 1 - share),
        _first_below(curve.time, over, 1 - share),
    )


def _cases(time: npt.ArrayLike, seen: npt.ArrayLike) -> tuple[Floats, npt.NDArray[np.bool_]]:
    times = as_floats("time", time)
    if times.ndim != 1:
        raise ArrayError("time", f"has {times.ndim} dimensions; one is wanted")
    refuse("time", times, times < 0, "is negative")
    flags = np.asarray(seen, dtype=np.bool_)
    if flags.shape != times.shape:
        raise ArrayError("seen", f"has shape {flags.shape}, time has {times.shape}")
    return times, flags


def _first_below(time: Floats, share: Floats, mark: float) -> float:
    # A share that should be exactly the mark must not miss it by the last bit.
    found = np.flatnonzero(share <= mark + 1e-12)
    return float(time[found[0]]) if len(found) else float("nan")
