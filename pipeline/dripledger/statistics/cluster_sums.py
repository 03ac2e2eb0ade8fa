"""What the intervals of clustered shares and rates hang on, added up: the rows need not be handed over.

The sums are whole numbers of any size. So what is left of them where nearly everything cancels is exact, and
the same in whatever order they were added.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from dripledger.statistics.arrays import ArrayError, check_level
from dripledger.statistics.clustered import ClusteredShare, share_limits
from dripledger.statistics.rates import ClusteredRate, rate_limits


class ClusterSums(NamedTuple):
    """The clusters of one group, added up; `part` and `whole` are those of a cluster, whole numbers.

    Attributes
    ----------
    with_whole, with_part, with_any
        Clusters whose whole, whose part, and of which either is above 0.
    part, whole
        Sums.
    part_squared, part_by_whole, whole_squared
        Sums of products within the clusters.
    least_part, least_whole, least_rest
        The least part, the least whole, and the least of whole - part; 0 where there is no cluster.
    """

    with_whole: int = 0
    with_part: int = 0
    with_any: int = 0
    part: int = 0
    whole: int = 0
    part_squared: int = 0
    part_by_whole: int = 0
    whole_squared: int = 0
    least_part: int = 0
    least_whole: int = 0
    least_rest: int = 0

    @property
    def squared_residuals(self) -> float:
        """Sum of (part - R whole)^2 with R = sum(part) / sum(whole); the whole is not 0."""
        left = (
            self.part_squared * self.whole**2
            - 2 * self.part * self.whole * self.part_by_whole
            + self.part**2 * self.whole_squared
        )
        return left / self.whole**2


def share_of_sums(groups: Sequence[ClusterSums], level: float = 0.95) -> ClusteredShare:
    """Return what `clustered_share` returns of the clusters of these groups.

    Parameters
    ----------
    groups
        The sums of each group.
    level
        Two-sided confidence level, between 0 and 1.

    Raises
    ------
    ArrayError
        Where a part is negative or more than its whole; it names the group.
    """
    level = check_level(level)
    for place, one in enumerate(groups):
        if one.least_part < 0:
            raise ArrayError("part", f"{one.least_part} is negative", (place,))
        if one.least_rest < 0:
            raise ArrayError("part", "is more than whole", (place,))
    return share_limits(
        np.array([one.with_whole for one in groups], np.int64),
        np.array([one.part for one in groups], np.float64),
        np.array([one.whole for one in groups], np.float64),
        np.array([one.squared_residuals if one.whole else 0.0 for one in groups], np.float64),
        np.array([one.whole**2 / one.whole_squared if one.whole else np.nan for one in groups], np.float64),
        level,
    )


def rate_of_sums(
    sums: ClusterSums, part_unit: int = 1, whole_unit: int = 1, level: float = 0.95, counts: bool = True
) -> ClusteredRate:
    """Return what `clustered_rate` returns of amounts `part / part_unit` over exposures `whole / whole_unit`.

    Parameters
    ----------
    sums
        The sums of the clusters.
    part_unit, whole_unit
        How many of what was added up are one of what is meant, such as 3,600,000,000 microseconds an hour.
    level
        Two-sided confidence level, between 0 and 1.
    counts
        Whether the amount counts events.

    Raises
    ------
    ArrayError
        Where an amount or an exposure is negative.
    """
    level = check_level(level)
    if sums.least_part < 0:
        raise ArrayError("amount", f"{sums.least_part} is negative")
    if sums.least_whole < 0:
        raise ArrayError("exposure", f"{sums.least_whole} is negative")
    return rate_limits(
        sums.with_any,
        sums.with_part,
        sums.part / part_unit,
        sums.whole / whole_unit,
        sums.squared_residuals / part_unit**2 if sums.whole else 0.0,
        level,
        counts,
    )
