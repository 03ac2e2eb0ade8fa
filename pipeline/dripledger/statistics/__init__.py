"""Is it a change, or is it noise? Pure functions over numpy arrays: arrays in, named arrays out.

`read_chart`, `read_funnel` and `compare_shares` go further: they give frozen results with sentences, so that
whoever draws them decides nothing.
"""

from dripledger.statistics.arrays import ArrayError
from dripledger.statistics.chart_model import Change, ChartKind, ChartReading, Look, Point, Segment, Series
from dripledger.statistics.chart_words import Found
from dripledger.statistics.charts import Chart, laney_p, laney_u, moving_range_chart, p_chart, u_chart, xmr
from dripledger.statistics.cluster_sums import ClusterSums, rate_of_sums, share_of_sums
from dripledger.statistics.clustered import ClusteredShare, clustered_share
from dripledger.statistics.compare import (
    Comparison,
    Contrast,
    Setting,
    compare_hours,
    compare_rates,
    compare_shares,
)
from dripledger.statistics.drift import Cusum, Ewma, cusum, ewma
from dripledger.statistics.funnel import (
    Dispersion,
    Scores,
    dispersion,
    funnel_limits,
    rate_funnel_limits,
    ratio_funnel_limits,
    ratio_scores,
    share_scores,
    widened_ratio_limits,
    widened_share_limits,
    winsorised,
)
from dripledger.statistics.funnel_reading import (
    AreaPoint,
    FunnelReading,
    NotComparableError,
    read_funnel,
    read_standardised_funnel,
)
from dripledger.statistics.in_control import RuleRates, expected_false_signals, in_control_rates
from dripledger.statistics.intervals import Interval, clopper_pearson, hybrid_difference, newcombe, wilson
from dripledger.statistics.many import benjamini_hochberg, two_sided_p
from dripledger.statistics.median import median_interval
from dripledger.statistics.month_spread import MonthSpread, month_spread
from dripledger.statistics.poisson import garwood, rate_ratio, rate_ratio_p_value
from dripledger.statistics.quantiles import normal_quantile, student_quantile
from dripledger.statistics.rates import ClusteredRate, clustered_rate, clustered_ratio
from dripledger.statistics.reading import NO_FIGURE, read_chart
from dripledger.statistics.rules import Runs, Signals, runs, signals
from dripledger.statistics.standardise import Standardised, standardise
from dripledger.statistics.suppress import SMALL_MOST, Hidden, suppress
from dripledger.statistics.survival import Survival, SurvivalQuantile, kaplan_meier, survival_quantile

__all__ = [
    "NO_FIGURE",
    "SMALL_MOST",
    "AreaPoint",
    "ArrayError",
    "Change",
    "Chart",
    "ChartKind",
    "ChartReading",
    "ClusterSums",
    "ClusteredRate",
    "ClusteredShare",
    "Comparison",
    "Contrast",
    "Cusum",
    "Dispersion",
    "Ewma",
    "Found",
    "FunnelReading",
    "Hidden",
    "Interval",
    "Look",
    "MonthSpread",
    "NotComparableError",
    "Point",
    "RuleRates",
    "Runs",
    "Scores",
    "Segment",
    "Series",
    "Setting",
    "Signals",
    "Standardised",
    "Survival",
    "SurvivalQuantile",
    "benjamini_hochberg",
    "clopper_pearson",
    "clustered_rate",
    "clustered_ratio",
    "clustered_share",
    "compare_hours",
    "compare_rates",
    "compare_shares",
    "cusum",
    "dispersion",
    "ewma",
    "expected_false_signals",
    "funnel_limits",
    "garwood",
    "hybrid_difference",
    "in_control_rates",
    "kaplan_meier",
    "laney_p",
    "laney_u",
    "median_interval",
    "month_spread",
    "moving_range_chart",
    "newcombe",
    "normal_quantile",
    "p_chart",
    "rate_funnel_limits",
    "rate_of_sums",
    "rate_ratio",
    "rate_ratio_p_value",
    "ratio_funnel_limits",
    "ratio_scores",
    "read_chart",
    "read_funnel",
    "read_standardised_funnel",
    "runs",
    "share_of_sums",
    "share_scores",
    "signals",
    "standardise",
    "student_quantile",
    "suppress",
    "survival_quantile",
    "two_sided_p",
    "u_chart",
    "widened_ratio_limits",
    "widened_share_limits",
    "wilson",
    "winsorised",
    "xmr",
]
