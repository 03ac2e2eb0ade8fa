"""The chart of a measure as a frozen value: points, segments, patterns and sentences."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from dripledger.statistics.chart_words import Found
from dripledger.statistics.rules import Runs


class Series(Enum):
    """What the numbers of a series are; it decides between the charts."""

    COUNTS = "share of independent counts"
    HOURS = "share of hours"
    EVENTS = "events over an exposure"
    VALUES = "single values"


class ChartKind(Enum):
    """Which chart was drawn."""

    P = "p"
    P_WIDENED = "p'"
    U = "u"
    U_WIDENED = "u'"
    XMR = "XmR"


@dataclass(frozen=True, slots=True)
class Change:
    """A declared change that concerns the measure: from point `first` on, limits start anew."""

    first: int
    what: str


@dataclass(frozen=True, slots=True)
class Point:
    """One point; numbers are None where they are not shown.

    Attributes
    ----------
    label
        Name of the month.
    numerator, denominator
        Counts or amounts as handed in.
    value
        Share, rate or value; None under the least data.
    centre, low, high
        Centre and limits, cut off at what is possible; None where there are none.
    segment
        Index of its segment.
    in_baseline
        Whether it makes the limits.
    provisional
        Whether it may still change: drawn, in no baseline, and no signal.
    signals
        Names of the rules whose pattern it belongs to, in the order beyond, trend, near, shift.
    """

    label: str
    numerator: float
    denominator: float
    value: float | None
    centre: float | None
    low: float | None
    high: float | None
    segment: int
    in_baseline: bool
    provisional: bool
    signals: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch between declared changes.

    Attributes
    ----------
    first, last
        Indices of its first and last point.
    since
        The change that it starts with; empty for the first.
    chart, reason
        Which chart, and the rule that chose it in words.
    baseline_points, points
        Points that make the limits, and points judged.
    trial
        Whether there are too few points for lasting limits (under 12).
    dispersion
        Measured over expected spread of its baseline; None where it is not measured.
    rough
        Whether some points have so few expected counts that exact chance judges them (`small_counts`).
    runs
        The runs analysis of the points shown whose counts are not so small; None without a centre or any.
    """

    first: int
    last: int
    since: str
    chart: ChartKind
    reason: str
    baseline_points: int
    points: int
    trial: bool
    dispersion: float | None
    rough: bool
    runs: Runs | None


@dataclass(frozen=True, slots=True)
class Look:
    """What the newest segment of a chart was judged by, for `expected_false_signals`.

    Attributes
    ----------
    points
        Points judged.
    counts
        Whether it is a chart of counts (p, u and their widened forms); else of single values (XmR).
    sizes
        Denominators or exposures of the points judged, in order of time; empty for single values.
    share
        Whether the counts are parts of them.
    centre
        Centre of the segment.
    dispersion
        Measured over expected spread, 1 or more.
    """

    points: int
    counts: bool
    sizes: tuple[float, ...] = ()
    share: bool = False
    centre: float = 0.0
    dispersion: float = 1.0


@dataclass(frozen=True, slots=True)
class ChartReading:
    """A chart, ready to be drawn and read.

    Attributes
    ----------
    series
        What the numbers are.
    points
        One for each month handed in.
    segments
        In order of time; the last is the one that holds now.
    found
        Every pattern with its rule, side, points and sentence, by segment.
    sentences
        What a reader is told, most important first; never empty.
    notes
        How the chart was made: chart and reason, trial limits, restarts, months without a figure.
    looked_at
        What its newest segment was judged by.
    """

    series: Series
    points: tuple[Point, ...]
    segments: tuple[Segment, ...]
    found: tuple[Found, ...]
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    looked_at: Look
