"""One cell of the table of measures: counts in, value, interval, status and reason out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from dripledger.measures.definitions import NOT_BUILT
from dripledger.measures.measure import Amount, Form, IntervalKind, Least, Measure, Part
from dripledger.site import Minimums
from dripledger.statistics import wilson
from dripledger.statistics.cluster_sums import ClusterSums, rate_of_sums, share_of_sums
from dripledger.statistics.survival import survival_quantile

_NOTHING: Final = ClusterSums()


class Shares:
    """The limits of the shares of many cells at once: one by one, each costs more than its few sums.

    Parameters
    ----------
    sums
        What the clusters of each cell add up to.
    """

    def __init__(self, sums: Sequence[ClusterSums]) -> None:
        self._sums = sums

    @cached_property
    def limits(self) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]] | None:
        """The lower and the upper ones; None where the cells are to be worked out one by one."""
        # what cannot be is complained of where it is shown, and only there
        if any(one.least_part < 0 or one.least_rest < 0 for one in self._sums):
            return None
        found = share_of_sums(self._sums)
        return found.low, found.high


@dataclass(frozen=True, slots=True)
class Clusters:
    """What stands together in an interval: an infusion's or a pump's amounts.

    Attributes
    ----------
    sums
        What they add up to.
    """

    sums: ClusterSums = _NOTHING
    #: The intervals of all cells that were read together, and which of them is this one's; None: by itself.
    together: Shares | None = None
    place: int = 0

    def share(self) -> tuple[float, float]:
        """Return the limits of the share that the parts are of the wholes; NaN where nothing tells them."""
        found = None if self.together is None else self.together.limits
        if found is None:
            alone = share_of_sums([self.sums])
            return float(alone.low[0]), float(alone.high[0])
        return float(found[0][self.place]), float(found[1][self.place])

    @property
    def with_whole(self) -> int:
        """How many have a denominator."""
        return self.sums.with_whole


_NONE: Final = Clusters()


@dataclass
class Counts:
    """What the facts say about one cell.

    Attributes
    ----------
    numerator, denominator
        Counts; microseconds for hours and minutes.
    left_out_unknown, left_out_unable
        Left out because the log does not say, and because the source cannot log what is needed.
    left_out_untold
        Left out because a field is not logged without which nobody can tell what happened.
    passed_over
        What happened and is not told enough to be counted, beside a denominator that stays.
    clusters
        Clustered intervals only: what the amounts of infusions or pumps add up to.
    unable_here, infusions_here
        Infusions of the cell whose source can log none of what is counted, and all of the cell.
    lacking
        What the sources of what is left out do not record, in words.
    times
        Measures of times only: (microseconds, whether the end was seen, alarms).
    """

    numerator: int = 0
    denominator: int = 0
    left_out_unknown: int = 0
    left_out_unable: int = 0
    left_out_untold: int = 0
    passed_over: int = 0
    clusters: Clusters = _NONE
    times: list[tuple[int, bool, int]] = field(default_factory=list)
    unable_here: int = 0
    infusions_here: int = 0
    lacking: str = ""


@dataclass(frozen=True)
class Cell:
    """The columns of one row after its groups."""

    numerator: Decimal | None = None
    denominator: Decimal | None = None
    value: float | None = None
    low95: float | None = None
    high95: float | None = None
    status: str = "no_data"
    reason: str = ""


@dataclass(frozen=True)
class MonthState:
    """Whether a month is over for the fleet."""

    in_service: int = 0
    heard_after: int = 0
    provisional: bool = False
    reason: str = ""


def not_measurable(reason: str) -> Cell:
    """Return a cell that says why there is no figure."""
    return Cell(status="not_measurable", reason=reason)


def not_built() -> Cell:
    """Return the cell of a measure that is defined and not calculated yet."""
    return not_measurable(NOT_BUILT)


def make_cell(
    measure: Measure,
    part: Part | None,
    counts: Counts,
    minimums: Minimums,
    state: MonthState,
    note: str = "",
) -> Cell:
    """Make one cell.

    Parameters
    ----------
    measure
        The measure; says what the value is, what is least and how the interval is made.
    part
        Which part of it the row is; None: the whole.
    counts
        The facts of the cell.
    minimums
        The site's least data.
    state
        Whether the month is provisional.
    note
        A sentence to add to the reason.

    Returns
    -------
    Cell
        `not_measurable` where only left-out starts or hours exist, or where too few ends were seen to tell a
        time, `no_data` where there is nothing, `small` below the minimum (counts, no value), else
        `provisional` or `ok`.
    """
    told = [text for text in (note, _left_out(measure, counts)) if text]
    numerator, denominator = (
        _shown(counts.numerator, measure.counted),
        _shown(counts.denominator, measure.over),
    )
    if counts.denominator == 0:
        only_unable = 0 < counts.unable_here == counts.infusions_here
        left_out = counts.left_out_unknown + counts.left_out_untold + counts.left_out_unable
        if left_out == 0 and not only_unable:
            return Cell(numerator, denominator, status="no_data", reason=note)
        return not_measurable("; ".join(told))
    short = _too_small(measure, counts, minimums)
    if short:
        return Cell(numerator, denominator, status="small", reason="; ".join([short, *told]))
    value, low, high = _value(measure, part, counts)
    if value is None:
        seen = (
            f"of {counts.denominator} {measure.base} the end was seen of {counts.numerator}: too few to tell"
        )
        return Cell(numerator, denominator, status="not_measurable", reason="; ".join([seen, *told]))
    if state.provisional:
        told.insert(0, state.reason)
    status = "provisional" if state.provisional else "ok"
    return Cell(numerator, denominator, value, low, high, status, "; ".join(told))


def _shown(amount: int, unit: Amount) -> Decimal:
    """Return counts as they are, and microseconds as hours or minutes rounded to nine places."""
    return (Decimal(amount) / unit.value).quantize(Decimal("1e-9"))


def _too_small(measure: Measure, counts: Counts, minimums: Minimums) -> str:
    if measure.least is Least.STARTS and counts.denominator < minimums.starts:
        base = _of_base(measure, counts.denominator)
        return f"{counts.denominator} {base}, under the minimum of {minimums.starts}"
    if measure.least is Least.HOURS:
        infusions = counts.clusters.with_whole
        hours = counts.denominator / Amount.HOURS.value
        if infusions < minimums.infusions or hours < minimums.channel_hours:
            return (
                f"{infusions} infusions and {hours:.1f} channel-hours; it takes at least "
                f"{minimums.infusions} and {minimums.channel_hours:g}"
            )
    if measure.least is Least.PUMP_HOURS:
        hours = counts.denominator / Amount.HOURS.value
        if hours < minimums.channel_hours:
            return f"{hours:.1f} pump-hours, under the minimum of {minimums.channel_hours:g}"
    return ""


def _of_base(measure: Measure, count: int) -> str:
    return _of(measure.base, count)


def _of(base: str, count: int) -> str:
    return base.removesuffix("s") if count == 1 else base


def _left_out(measure: Measure, counts: Counts) -> str:
    hours = measure.over is Amount.HOURS
    unable = f"from sources that do not record {counts.lacking}"
    parts = []
    everything = (
        counts.denominator + counts.left_out_unknown + counts.left_out_untold + counts.left_out_unable
    )
    own = measure.left_out_base or measure.base
    for amount, base, why in (
        (counts.left_out_unknown, own, measure.unknown),
        (counts.left_out_untold, own, measure.untold),
        (counts.left_out_unable, measure.base, unable),
    ):
        if not amount:
            continue
        if measure.least is Least.PUMP_HOURS:
            # their powered-on time is what cannot be known
            pumps = counts.clusters.with_whole + amount
            parts.append(f"{amount} {_of('pumps', amount)} {why} ({_percent(amount, pumps)})")
            continue
        size = f"{amount / Amount.HOURS.value:.1f}" if hours else str(amount)
        parts.append(f"{size} {_of(base, 1 if size == '1' else 2)} {why} ({_percent(amount, everything)})")
    if counts.unable_here:
        size = f"{counts.unable_here} {'infusion' if counts.unable_here == 1 else 'infusions'}"
        share = _percent(counts.unable_here, counts.infusions_here)
        parts.append(f"{size} {unable} ({share})")
    if counts.passed_over:
        what, why = measure.passed_over
        parts.append(f"{counts.passed_over} {_of(what, counts.passed_over)} {why}")
    return f"left out: {'; '.join(parts)}" if parts else ""


def _percent(part: int, whole: int) -> str:
    """Return a percentage that never rounds some to none or to all."""
    share = 100 * part / whole
    if part == whole:
        return "100 %"
    if 0 < share < 0.1:
        return "under 0.1 %"
    if 99.9 < share < 100:
        return "over 99.9 %"
    return f"{share:.1f} %"


def _value(
    measure: Measure, part: Part | None, counts: Counts
) -> tuple[float | None, float | None, float | None]:
    """Return the value and its limits; a time that too few reached has none."""
    if measure.form is Form.COUNT:
        return float(counts.numerator), None, None
    if measure.form is Form.TIMES:
        times = sorted(counts.times)
        repeats = [cases for _, _, cases in times]
        found = survival_quantile(
            np.repeat([duration / 1e6 for duration, _, _ in times], repeats),
            np.repeat([seen for _, seen, _ in times], repeats),
            part.quantile if part else 0.5,
        )
        return _number(found.value), _number(found.low), _number(found.high)
    if measure.form is Form.RATE:
        one, other = measure.counted.value, measure.over.value
        rate = rate_of_sums(counts.clusters.sums, one, other, counts=measure.counted is Amount.COUNT)
        value = (counts.numerator / one) / (counts.denominator / other)
        return 100 * value, _number(100 * rate.low), _number(100 * rate.high)
    low, high = _interval(measure, counts)
    return counts.numerator / counts.denominator, low, high


def _interval(measure: Measure, counts: Counts) -> tuple[float | None, float | None]:
    if measure.interval is IntervalKind.WILSON:
        low, high = wilson([counts.numerator], [counts.denominator])
        return float(low[0]), float(high[0])
    if measure.interval is IntervalKind.CLUSTERED:
        low_share, high_share = counts.clusters.share()
        return _number(low_share), _number(high_share)
    return None, None


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value)
