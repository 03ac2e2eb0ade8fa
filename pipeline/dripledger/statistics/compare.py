"""Before and after a release, a training, a go-live: the difference, and what it cannot tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from dripledger.statistics.arrays import ArrayError
from dripledger.statistics.clustered import ClusteredShare
from dripledger.statistics.intervals import Interval, hybrid_difference, newcombe, wilson
from dripledger.statistics.month_spread import MonthSpread, spread_difference, spread_ratio
from dripledger.statistics.poisson import rate_ratio


class Contrast(Enum):
    """What a comparison gives."""

    DIFFERENCE = "difference of shares, after less before"
    RATIO = "ratio of rates, after over before"


@dataclass(frozen=True, slots=True)
class Comparison:
    """After against before.

    Attributes
    ----------
    contrast
        Whether `value` is a difference of fractions or a ratio of rates.
    before, after
        The two shares (fractions) or rates; None where there are too few data or no exposure.
    value, low, high
        The contrast with its 95 % interval; None likewise, and infinite where nothing came before.
    holds_none
        Whether the interval holds 'no difference'; None without an interval.
    sentence
        What was found, for a reader.
    cautions
        What the comparison cannot exclude, one sentence each; never empty.
    """

    contrast: Contrast
    before: float | None
    after: float | None
    value: float | None
    low: float | None
    high: float | None
    holds_none: bool | None
    sentence: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Setting:
    """What is known about a comparison beside its numbers.

    Parameters
    ----------
    event
        What lies between, with its article: "the release of library 7".
    months_before, months_after
        Calendar months (1-12) that either side covers; empty where not known.
    chosen_for_its_value
        Whether the area or drug was picked because its figure stood out, as when a bad month leads to
        training.
    decimal
        Decimal sign of the sentences.
    """

    event: str
    months_before: tuple[int, ...] = ()
    months_after: tuple[int, ...] = ()
    chosen_for_its_value: bool = False
    decimal: str = "."


def compare_shares(
    x1: int, n1: int, x2: int, n2: int, setting: Setting, *, enough: bool = True,
    spread: MonthSpread | None = None,
) -> Comparison:  # fmt: skip
    """Compare two shares of independent counts.

    Parameters
    ----------
    x1, n1
        Counts before; whole numbers, 0 <= x <= n.
    x2, n2
        Counts after.
    setting
        What lies between, and when.
    enough
        Whether both sides reach the least data for a rate; else only counts are told.
    spread
        How much the months of either side differ (`month_spread`); None: the counts are independent.

    Returns
    -------
    Comparison
        x2/n2 - x1/n1 with Newcombe's hybrid score interval (95 %), widened by the spread.

    Raises
    ------
    ArrayError
        For counts that cannot be.
    """
    wilson([x1, x2], [n1, n2])
    if not enough or n1 == 0 or n2 == 0:
        return _too_few(Contrast.DIFFERENCE, f"{x1} of {n1}", f"{x2} of {n2}", setting)
    limits = newcombe(x2, n2, x1, n1) if spread is None else spread_difference(x1, n1, x2, n2, spread)
    caution = "The interval takes the counts as independent; where one patient gives many, it is too narrow."
    return _difference(x1 / n1, x2 / n2, limits, setting, _allowed(spread, caution), spread)


def compare_hours(before: ClusteredShare, after: ClusteredShare, setting: Setting) -> Comparison:
    """Compare two shares of hours whose intervals count clusters.

    Parameters
    ----------
    before, after
        Results of `clustered_share` for a single group each, at 95 %.
    setting
        What lies between, and when.

    Returns
    -------
    Comparison
        The difference, its interval from the two intervals (`hybrid_difference`).

    Raises
    ------
    ArrayError
        Where a result holds more than one group.
    """
    for name, side in (("before", before), ("after", after)):
        if side.value.size != 1:
            raise ArrayError(name, f"holds {side.value.size} groups; one is wanted")
    limits = hybrid_difference(
        after.value, Interval(after.low, after.high), before.value, Interval(before.low, before.high)
    )
    if not math.isfinite(float(limits.low[0])):
        one, two = (f"{int(side.clusters[0])} infusions" for side in (before, after))
        return _too_few(Contrast.DIFFERENCE, one, two, setting)
    return _difference(float(before.value[0]), float(after.value[0]), limits, setting, ())


def compare_rates(
    x1: int, t1: float, x2: int, t2: float, setting: Setting, *, enough: bool = True,
    spread: MonthSpread | None = None,
) -> Comparison:  # fmt: skip
    """Compare two rates of independent events.

    Parameters
    ----------
    x1, t1
        Events and exposure before.
    x2, t2
        Events and exposure after, same unit.
    setting
        What lies between, and when.
    enough, spread
        As for `compare_shares`.

    Returns
    -------
    Comparison
        (x2/t2) / (x1/t1) with its exact interval (95 %), widened by the spread; without one the cautions say
        that clustered events are not independent.

    Raises
    ------
    ArrayError
        For counts or exposures that cannot be.
    """
    limits = rate_ratio(x2, t2, x1, t1)
    if not enough or t1 == 0 or t2 == 0 or x1 + x2 == 0:
        return _too_few(Contrast.RATIO, f"{x1} events", f"{x2} events", setting)
    before, after, low, high = x1 / t1, x2 / t2, float(limits.low), float(limits.high)
    if spread is not None:
        low, high = spread_ratio(x1, t1, x2, t2, spread)
    caution = (
        "Events that come in clusters, as the alerts of one infusion do, make the true interval wider than "
        "the one given."
    )
    value = after / before if before > 0 else math.inf
    holds = low <= 1 <= high
    told = f"{_plain(value, setting)} times the rate before (95 % interval {_plain(low, setting)} to " + (
        f"{_plain(high, setting)})" if math.isfinite(high) else "no upper limit)"
    )
    if before == 0:
        told = f"above 0 after none before (95 % interval of the ratio from {_plain(low, setting)} up)"
    return Comparison(
        Contrast.RATIO, before, after, value, low, high, holds,
        f"After {setting.event} the rate was {told}. {_verdict(holds, spread)}",
        (*_cautions(setting), *_allowed(spread, caution)),
    )  # fmt: skip


def _difference(
    before: float, after: float, limits: Interval, setting: Setting, cautions: tuple[str, ...],
    spread: MonthSpread | None = None,
) -> Comparison:  # fmt: skip
    low, high = (float(limit.reshape(-1)[0]) for limit in limits)
    value = after - before
    holds = low <= 0 <= high
    size = _points(abs(value), setting)
    way = "the same as before" if value == 0 else f"{size} points {'higher' if value > 0 else 'lower'}"
    sentence = (
        f"After {setting.event} the share was {way} (95 % interval {_points(low, setting)} to "
        f"{_points(high, setting)} points). {_verdict(holds, spread)}"
    )
    told = (*_cautions(setting), *cautions)
    return Comparison(Contrast.DIFFERENCE, before, after, value, low, high, holds, sentence, told)


def _too_few(contrast: Contrast, before: str, after: str, setting: Setting) -> Comparison:
    sentence = f"Too few data to compare before and after {setting.event}: {before} before, {after} after."
    return Comparison(contrast, None, None, None, None, None, None, sentence, _cautions(setting))


def _allowed(spread: MonthSpread | None, independent: str) -> tuple[str, ...]:
    """Return what the interval allows for, or the caution of one that takes counts as independent."""
    if spread is None or not spread.freedom:
        return (independent,)
    return (
        "The intervals allow for how much the months of either side differ among themselves, as clusters and "
        "busy months make them; a few months tell that only roughly.",
    )


def _verdict(holds_none: bool, spread: MonthSpread | None = None) -> str:
    if spread is not None and not spread.freedom and not holds_none:
        return "So few months do not tell how much they differ anyway: take it as a question."
    if holds_none:
        return (
            "That includes no difference at all: this may be chance, or a real change that these data are "
            "too few to tell."
        )
    return "Chance alone hardly explains it; that does not make the event between its cause."


def _cautions(setting: Setting) -> tuple[str, ...]:
    """Return what no before-and-after comparison can exclude."""
    _check_months("months_before", setting.months_before)
    _check_months("months_after", setting.months_after)
    told = []
    if not setting.months_before or set(setting.months_before) != set(setting.months_after):
        told.append(
            "The two sides cover different months of the year: the season alone can make such a difference."
        )
    told.append(
        "A trend that was under way before would look the same; the chart over time shows whether "
        "there was one."
    )
    if setting.chosen_for_its_value:
        told.append(
            "This was looked at because its figure stood out. Such a figure tends back towards the usual by "
            "itself (regression to the mean): part of the change was to be expected without any action."
        )
    else:
        told.append(
            "If a figure that stood out led to the action, part of the change was to be expected without it "
            "(regression to the mean)."
        )
    told.append("Whatever else changed at that time, as staff, patients or pumps, is not told apart from it.")
    return tuple(told)


def _check_months(argument: str, months: Sequence[int]) -> None:
    for position, month in enumerate(months):
        if month not in range(1, 13):
            raise ArrayError(argument, f"{month!r} is no month of the year", (position,))


def _points(share: float, setting: Setting) -> str:
    """Return a difference of shares in percentage points, with one place and never '-0.0'."""
    return _written(100 * share, 1, setting)


def _plain(value: float, setting: Setting) -> str:
    return _written(value, 2, setting)


def _written(value: float, places: int, setting: Setting) -> str:
    if not math.isfinite(value):
        return "infinite"
    return f"{value:z.{places}f}".replace(".", setting.decimal)
