"""Intervals as pure functions over numpy arrays: arrays in, named arrays out."""

from dripledger.statistics.arrays import ArrayError
from dripledger.statistics.clustered import ClusteredShare, clustered_share
from dripledger.statistics.intervals import Interval, wilson
from dripledger.statistics.quantiles import normal_quantile, student_quantile

__all__ = [
    "ArrayError",
    "ClusteredShare",
    "Interval",
    "clustered_share",
    "normal_quantile",
    "student_quantile",
    "wilson",
]
