"""One cell of the table of measures: counts in, value, interval, status and reason out."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from decimal import Decimal

from dripledger.measures.definitions import NOT_BUILT
from dripledger.measures.measure import IntervalKind, Least, Measure
from dripledger.site import Minimums
from dripledger.statistics import clustered_share, wilson

_US_PER_HOUR = 3_600_000_000


@dataclass
class Counts:
    """What the facts say about one cell.

    Attributes
    ----------
    numerator, denominator
        Counts; microseconds for hours.
    left_out_unknown, left_out_unable
        Left out because the log does not say, and because the source cannot log what is needed.
    clusters
        Hours only: infusion -> [part, whole], microseconds.
    """

    numerator: int = 0
    denominator: int = 0
    left_out_unknown: int = 0
    left_out_unable: int = 0
    clusters: dict[str, list[int]] = field(default_factory=dict)


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


def share_cell(
    measure: Measure, counts: Counts, minimums: Minimums, state: MonthState, note: str = ""
) -> Cell:
    """Make one cell of a share.

    Parameters
    ----------
    measure
        The measure; says what is least and how the interval is made.
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
        `not_measurable` where only left-out starts or hours exist, `no_data` where there is nothing, `small`
        below the minimum (counts, no value), else `provisional` or `ok`.
    """
    hours = measure.least is Least.HOURS
    told = [text for text in (note, _left_out(measure, counts, hours)) if text]
    if counts.denominator == 0:
        if counts.left_out_unknown + counts.left_out_unable == 0:
            return Cell(_shown(0, hours), _shown(0, hours), status="no_data", reason=note)
        return not_measurable("; ".join(told))
    numerator, denominator = _shown(counts.numerator, hours), _shown(counts.denominator, hours)
    short = _too_small(measure, counts, minimums)
    if short:
        return Cell(numerator, denominator, status="small", reason="; ".join([short, *told]))
    low, high = _interval(measure, counts)
    if state.provisional:
        told.insert(0, state.reason)
    return Cell(
        numerator,
        denominator,
        counts.numerator / counts.denominator,
        low,
        high,
        "provisional" if state.provisional else "ok",
        "; ".join(told),
    )


def _shown(amount: int, hours: bool) -> Decimal:
    """Return counts as they are, and microseconds as hours rounded to nine places."""
    if not hours:
        return Decimal(amount).quantize(Decimal("1e-9"))
    return (Decimal(amount) / _US_PER_HOUR).quantize(Decimal("1e-9"))


def _too_small(measure: Measure, counts: Counts, minimums: Minimums) -> str:
    if measure.least is Least.STARTS and counts.denominator < minimums.starts:
        return f"{counts.denominator} {measure.base}, under the minimum of {minimums.starts}"
    if measure.least is Least.HOURS:
        infusions = sum(1 for _, whole in counts.clusters.values() if whole > 0)
        hours = counts.denominator / _US_PER_HOUR
        if infusions < minimums.infusions or hours < minimums.channel_hours:
            return (
                f"{infusions} infusions and {hours:.1f} channel-hours, under the minimum of "
                f"{minimums.infusions} and {minimums.channel_hours:g}"
            )
    return ""


def _left_out(measure: Measure, counts: Counts, hours: bool) -> str:
    everything = counts.denominator + counts.left_out_unknown + counts.left_out_unable
    parts = []
    for amount, why in (
        (
            counts.left_out_unknown,
            "that no library file covers" if measure.id == "protected_share" else "of unknown library use",
        ),
        (counts.left_out_unable, f"from sources that do not record {', '.join(measure.needs)}"),
    ):
        if amount:
            size = f"{amount / _US_PER_HOUR:.1f}" if hours else str(amount)
            base = measure.base.removesuffix("s") if size == "1" else measure.base
            parts.append(f"{size} {base} {why} ({_percent(amount, everything)})")
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


def _interval(measure: Measure, counts: Counts) -> tuple[float | None, float | None]:
    if measure.interval is IntervalKind.WILSON:
        low, high = wilson([counts.numerator], [counts.denominator])
        return float(low[0]), float(high[0])
    if measure.interval is IntervalKind.CLUSTERED:
        rows = [counts.clusters[name] for name in sorted(counts.clusters)]
        found = clustered_share([r[0] for r in rows], [r[1] for r in rows], list(range(len(rows))))
        return _number(found.low[0]), _number(found.high[0])
    return None, None


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value)
