"""Interval of a share of hours: hours of one infusion stand together, so infusions are what is counted."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import Floats, as_indices, as_rows, check_level, refuse
from dripledger.statistics.intervals import score_interval
from dripledger.statistics.quantiles import normal_quantile, student_quantile


class ClusteredShare(NamedTuple):
    """Arrays with one element a group."""

    value: Floats
    low: Floats
    high: Floats
    #: Clusters with a denominator above 0.
    clusters: npt.NDArray[np.int64]
    #: Size of a sample of equal clusters that would say as much: (sum w)^2 / sum w^2.
    effective_clusters: Floats


def clustered_share(
    part: npt.ArrayLike,
    whole: npt.ArrayLike,
    cluster: npt.ArrayLike | None = None,
    group: npt.ArrayLike | None = None,
    groups: int | None = None,
    level: float = 0.95,
) -> ClusteredShare:
    """Share ``sum(part) / sum(whole)`` with an interval that counts clusters, not hours.

    Parameters
    ----------
    part
        Hours (or any additive amount) of what is asked for, 0 <= part <= whole; shape (rows,).
    whole
        All hours, in the same unit; shape (rows,).
    cluster
        Which cluster (infusion) a row belongs to, whole numbers; shape (rows,). Rows of one cluster and
        group are added first. None: each row is a cluster.
    group
        Index of the group of each row, whole numbers from 0; shape (rows,). None: all rows are one group.
    groups
        How many groups there are; default: the largest index + 1. Groups without rows give NaN.
    level
        Two-sided confidence level, between 0 and 1.

    Returns
    -------
    ClusteredShare
        Arrays of shape (groups,): fractions 0-1; NaN where a group has no hours, and `low` and `high` NaN
        where it has a single cluster with both kinds of hours (nothing tells how clusters differ).

    Raises
    ------
    ArrayError
        For a value that cannot be; it names argument and position.

    Notes
    -----
    The ratio R = sum(part) / sum(whole) is linearised (Taylor; Cochran, Sampling Techniques, 3rd ed. 1977,
    section 6.13, from memory): with residuals e = part - R whole of m clusters,
    var(R) = m / (m - 1) * sum(e^2) / sum(whole)^2. The interval is made on the logit scale, which near 0 and
    1 keeps it inside (0, 1) and lopsided as it should be, and in the middle agrees with the plain one; its
    quantile is Student's with m - 1 degrees of freedom. Where all hours are alike the linearised error is 0,
    which claims too much: there the score interval on the effective number of clusters stands in (our
    choice, no source). A bootstrap over clusters is the oracle in the tests.
    """
    level = check_level(level)
    parts, wholes = as_rows("part", part, "whole", whole)
    refuse("part", parts, parts < 0, "is negative")
    refuse("part", parts, parts > wholes, "is more than whole")
    places = np.zeros(parts.shape, np.int64) if group is None else as_indices("group", group, "part", parts)
    refuse("group", places, places < 0, "is negative")
    size = groups if groups is not None else (1 if group is None else int(places.max(initial=-1)) + 1)
    refuse("group", places, places >= size, f"is not below the number of groups, {size}")

    if cluster is None:
        some = wholes > 0
        return _estimate(parts[some], wholes[some], places[some], size, level)
    a, b, where = _add_up(parts, wholes, as_indices("cluster", cluster, "part", parts), places)
    return _estimate(a, b, where, size, level)


def _add_up(
    parts: Floats, wholes: Floats, ids: npt.NDArray[np.int64], places: npt.NDArray[np.int64]
) -> tuple[Floats, Floats, npt.NDArray[np.int64]]:
    """Add the rows of each (group, cluster); clusters without hours drop out."""
    keys = np.stack([places, ids], axis=1)
    unique, inverse = np.unique(keys, axis=0, return_inverse=True)
    inverse = inverse.reshape(-1)
    count = len(unique)
    # Adding in a sorted order makes the result independent of the order of rows, to the last bit.
    order = np.lexsort((wholes, parts, inverse))
    a: Floats = np.bincount(inverse[order], parts[order], count).astype(np.float64)
    b: Floats = np.bincount(inverse[order], wholes[order], count).astype(np.float64)
    keep = b > 0
    return a[keep], b[keep], unique[keep, 0]


def _estimate(a: Floats, b: Floats, where: npt.NDArray[np.int64], size: int, level: float) -> ClusteredShare:
    order = np.lexsort((b, a, where))
    a, b, where = a[order], b[order], where[order]
    sum_a, sum_b, sum_b2 = (_sums(where, values, size) for values in (a, b, b * b))
    m = np.bincount(where, minlength=size).astype(np.int64)
    with np.errstate(divide="ignore", invalid="ignore"):
        residual = a - (sum_a / sum_b)[where] * b
        effective = sum_b * sum_b / sum_b2
    sum_e2 = _sums(where, residual * residual, size)
    return share_limits(m, sum_a, sum_b, sum_e2, effective, level)


def _sums(where: npt.NDArray[np.int64], values: Floats, size: int) -> Floats:
    sums: Floats = np.bincount(where, values, size).astype(np.float64)
    return sums


def share_limits(
    m: npt.NDArray[np.int64], sum_a: Floats, sum_b: Floats, sum_e2: Floats, effective: Floats, level: float
) -> ClusteredShare:
    """Make the intervals of groups from what their clusters add up to; arrays of shape (groups,).

    Parameters
    ----------
    m
        Clusters with a denominator.
    sum_a, sum_b
        Numerators and denominators.
    sum_e2
        Squared residuals from the share.
    effective
        Effective clusters.
    level
        Two-sided confidence level, checked.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        share = sum_a / sum_b
        error = np.sqrt(m / (m - 1) * sum_e2) / sum_b
        quantile = student_quantile(0.5 + level / 2, np.maximum(m - 1, 1).astype(np.float64))
        logit = np.log(share / (1 - share))
        reach = quantile * error / (share * (1 - share))
        low = 1 / (1 + np.exp(-(logit - reach)))
        high = 1 / (1 + np.exp(-(logit + reach)))
    alike = (sum_a == 0) | (sum_a == sum_b)
    score = score_interval(np.where(sum_a == 0, 0.0, effective), effective, normal_quantile(0.5 + level / 2))
    low = np.where(alike, score.low, np.where(m > 1, low, np.nan))
    high = np.where(alike, score.high, np.where(m > 1, high, np.nan))
    empty = m == 0
    return ClusteredShare(
        np.where(empty, np.nan, share),
        np.where(empty, np.nan, low),
        np.where(empty, np.nan, high),
        m,
        np.where(empty, np.nan, effective),
    )
