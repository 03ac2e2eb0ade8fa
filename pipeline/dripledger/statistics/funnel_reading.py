"""Areas side by side, read: which lie beyond chance, after allowing for how much areas differ anyway.

No ranks and no order of merit: areas stay in the order in which they are handed in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dripledger.errors import DripledgerError
from dripledger.statistics.arrays import ArrayError, Floats, as_amounts, as_counts
from dripledger.statistics.funnel import AREAS_LEAST, INNER, OUTER, Scores
from dripledger.statistics.funnel_scores import (
    exact_scores,
    held,
    limits_of,
    sides_of,
    spread_of,
)
from dripledger.statistics.intervals import Interval, checked_share
from dripledger.statistics.layout import Bools
from dripledger.statistics.many import benjamini_hochberg, two_sided_p
from dripledger.statistics.poisson import checked_events
from dripledger.statistics.quantiles import normal_quantile
from dripledger.statistics.small_counts import SMALL_EXPECTED, is_small
from dripledger.statistics.standardise import standardise
from dripledger.statistics.words import listed


class NotComparableError(DripledgerError, ValueError):
    """A measure is declared not comparable between areas, and was not standardised."""

    exit_code = 1


@dataclass(frozen=True, slots=True)
class AreaPoint:
    """One area; None where it has too few data, or too few expected, or nothing to be compared with.

    Attributes
    ----------
    label
        Name of the area.
    numerator, denominator
        Counts (for a standardised ratio: observed and expected).
    value
        Share, rate or ratio.
    inner, outer
        Its 95 % and 99.8 % limits, low and high.
    z
        Its score, spread between areas allowed for; over 1.96 (3.09) exactly where it lies beyond the limits.
    adjusted_p
        Two-sided p-value adjusted for the number of areas (Benjamini and Hochberg).
    beyond_inner, beyond_outer
        1 above, -1 below, 0 within.
    """

    label: str
    numerator: float
    denominator: float
    value: float | None
    inner: tuple[float, float] | None
    outer: tuple[float, float] | None
    z: float | None
    adjusted_p: float | None
    beyond_inner: int
    beyond_outer: int


@dataclass(frozen=True, slots=True)
class FunnelReading:
    """A funnel, ready to be drawn and read.

    Attributes
    ----------
    target
        Value of all areas together (1 for a ratio); None without data.
    points
        One for each area, in the order handed in.
    phi, tau2
        Measured dispersion; None under two areas. Limits are widened where tau2 is above 0, which takes a phi
        above 1.
    guess
        Whether there are too few areas (under 10) to measure it well.
    sentences, notes
        What a reader is told, and how the limits were made.
    """

    target: float | None
    points: tuple[AreaPoint, ...]
    phi: float | None
    tau2: float | None
    guess: bool
    sentences: tuple[str, ...]
    notes: tuple[str, ...]


def read_funnel(
    labels: Sequence[str],
    x: npt.ArrayLike,
    n: npt.ArrayLike,
    *,
    share: bool,
    enough: Sequence[bool],
    comparable: bool,
    why: str = "",
) -> FunnelReading:
    """Read areas side by side on one measure.

    Parameters
    ----------
    labels
        Names of the areas, in an order that says nothing about their values.
    x, n
        Numerators and denominators (exposures of a rate); shape (areas,).
    share
        Whether x/n is a share of independent counts; else a rate of independent events.
    enough
        Which areas reach the least data; the others keep their counts, and make no part of the target.
    comparable
        What the measure's definition declares.
    why
        Its reason, for the complaint.

    Returns
    -------
    FunnelReading
        Exact limits around the value of all areas; widened (arcsine or square-root scale) where areas differ
        beyond chance, and never inside the exact ones. Where under 5 are expected (of a share: of either
        kind) an area makes part of the target, keeps its counts and is not judged.

    Raises
    ------
    NotComparableError
        Where the measure is not comparable: standardise it by entry, or show it by entry.
    ArrayError
        For counts that cannot be.
    """
    if not comparable:
        raise NotComparableError(
            f"this measure does not compare care areas{': ' + why if why else ''}",
            do="Show it by entry, or standardise it by entry (read_standardised_funnel)",
        )
    hits, total = checked_share("x", x, "n", n) if share else checked_events("x", x, "exposure", n)
    keep = _kept(labels, enough, total.shape) & (total > 0)
    if not keep.any():
        return _empty(labels, hits, total)
    target = float(hits[keep].sum() / total[keep].sum())
    a, b = hits[keep], total[keep]
    if target == 0 or (share and target == 1):
        # All areas alike: nothing differs, and there is no scale to measure it on.
        flat = np.full(a.shape, target)
        scores = Scores(np.zeros(a.shape), np.ones(a.shape), np.zeros(a.shape))
        return _read(labels, hits, total, keep, a / b, target, scores, 0.0, 0.0, [Interval(flat, flat)] * 2)
    judged = keep.copy()
    judged[keep] = ~is_small(np.asarray(target), b, share)
    if not judged.any():
        return _empty(labels, hits, total, keep)
    a, b = hits[judged], total[judged]
    scores = exact_scores(a, b, target, share)
    spread = spread_of(scores)
    limits = limits_of(b, target, spread.tau2, share)
    return _read(
        labels, hits, total, judged, a / b, target, scores, spread.phi, spread.tau2, limits, keep & ~judged
    )


def read_standardised_funnel(
    labels: Sequence[str], x: npt.ArrayLike, n: npt.ArrayLike, *, share: bool, enough: Sequence[bool]
) -> FunnelReading:
    """Read areas side by side after allowing for their mix of entries.

    Parameters
    ----------
    labels
        Names of the areas.
    x, n
        Numerators and denominators; shape (areas, entries).
    share
        As for `read_funnel`.
    enough
        Which areas reach the least data; the others make no part of the reference.

    Returns
    -------
    FunnelReading
        Ratios observed / expected with normal limits around 1 (the variance allows for an area being part of
        its own reference), widened where areas differ beyond chance.

    Raises
    ------
    ArrayError
        For counts that cannot be.
    """
    table, total = as_counts("x", x), as_counts("n", n) if share else as_amounts("n", n)
    whole = standardise(table, total, share)
    keep = _kept(labels, enough, whole.observed.shape) & (total.sum(axis=1) > 0)
    observed, expected = whole.observed.copy(), np.full(whole.observed.shape, np.nan)
    if not keep.any():
        return _empty(labels, observed, total.sum(axis=1))
    part = standardise(table[keep], total[keep], share)
    expected[keep] = part.expected
    fair = np.isfinite(part.z) & (part.expected >= SMALL_EXPECTED)
    if share:
        fair &= total[keep].sum(axis=1) - part.expected >= SMALL_EXPECTED
    judged, few = keep.copy(), keep.copy()
    judged[keep], few[keep] = fair, ~fair & np.isfinite(part.z)
    if not fair.any():
        return _empty(labels, observed, np.nan_to_num(expected), few)
    ratio, sigma = part.ratio[fair], part.sigma[fair]
    scores = Scores(ratio - 1, sigma, part.z[fair])
    spread = spread_of(scores)
    limits = []
    for level in (INNER, OUTER):
        reach = normal_quantile(0.5 + level / 2) * np.sqrt(sigma**2 + spread.tau2)
        limits.append(Interval(np.maximum(1 - reach, 0.0), 1 + reach))
    reading = _read(
        labels,
        observed,
        np.nan_to_num(expected),
        judged,
        ratio,
        1.0,
        scores,
        spread.phi,
        spread.tau2,
        limits,
        few,
    )
    note = (
        "Each area is compared with what its own mix of entries lets expect, entry by entry, from all areas "
        "together."
    )
    return FunnelReading(1.0, reading.points, reading.phi, reading.tau2, reading.guess, reading.sentences,
                         (note, *reading.notes))  # fmt: skip


def _kept(labels: Sequence[str], enough: Sequence[bool], shape: tuple[int, ...]) -> Bools:
    if shape != (len(labels),):
        raise ArrayError("x", f"has shape {shape}; there are {len(labels)} labels")
    mask = np.asarray(enough)
    if mask.shape != shape or (mask.dtype.kind != "b" and mask.size):
        raise ArrayError("enough", f"is not one true or false for each of {len(labels)} areas")
    return mask.astype(np.bool_)


def _empty(labels: Sequence[str], x: Floats, n: Floats, few: Bools | None = None) -> FunnelReading:
    points = tuple(
        AreaPoint(label, float(a), float(b), None, None, None, None, None, 0, 0)
        for label, a, b in zip(labels, x, n, strict=True)
    )
    told = ("No area has enough data to be compared.",)
    notes = () if few is None else _few([label for label, is_few in zip(labels, few, strict=True) if is_few])
    return FunnelReading(None, points, None, None, True, told, notes)


def _few(names: Sequence[str]) -> tuple[str, ...]:
    if not names:
        return ()
    return (f"Under {SMALL_EXPECTED:g} are expected, so counts only: {', '.join(names)}.",)


def _read(
    labels: Sequence[str], x: Floats, n: Floats, keep: Bools, value: Floats, target: float, scores: Scores,
    phi: float, tau2: float, limits: list[Interval], few: Bools | None = None,
) -> FunnelReading:  # fmt: skip
    sides = sides_of(value, limits)
    z = held(scores.distance / np.sqrt(scores.sigma**2 + tau2), sides)
    adjusted = benjamini_hochberg(two_sided_p(z))
    points, place = [], 0
    for i, label in enumerate(labels):
        if not keep[i]:
            points.append(AreaPoint(label, float(x[i]), float(n[i]), None, None, None, None, None, 0, 0))
            continue
        inner, outer = ((float(pair.low[place]), float(pair.high[place])) for pair in limits)
        points.append(
            AreaPoint(
                label, float(x[i]), float(n[i]), float(value[place]), inner, outer, float(z[place]),
                float(adjusted[place]), int(sides[0][place]), int(sides[1][place]),
            )
        )  # fmt: skip
        place += 1
    several = place > 1
    guess = place < AREAS_LEAST
    told = tuple(points)
    return FunnelReading(
        target, told, phi if several else None, tau2 if several else None, guess, _sentences(told),
        _notes(told, phi, tau2, guess, np.zeros(len(told), np.bool_) if few is None else few),
    )  # fmt: skip


def _sentences(points: tuple[AreaPoint, ...]) -> tuple[str, ...]:
    told = []
    for side, where in ((1, "above"), (-1, "below")):
        names = [point.label for point in points if point.beyond_outer == side]
        if names:
            verb = "lies" if len(names) == 1 else "lie"
            told.append(f"{listed(names)} {verb} {where} the 99.8 % limits: more than chance explains.")
    if not told:
        told.append("No area lies beyond the 99.8 % limits.")
    between = [p.label for p in points if p.beyond_inner and not p.beyond_outer]
    judged = sum(point.value is not None for point in points)
    if between:
        verb = "lies" if len(between) == 1 else "lie"
        told.append(
            f"{listed(between)} {verb} beyond the 95 % limits only; by chance about "
            f"{judged * (1 - INNER):.1f} of {judged} areas would lie beyond them."
        )
    return tuple(told)


def _notes(
    points: tuple[AreaPoint, ...], phi: float, tau2: float, guess: bool, few: Bools
) -> tuple[str, ...]:
    judged = [point for point in points if point.value is not None]
    told = []
    if tau2 > 0:
        told.append(
            f"Areas differ more than chance explains (dispersion {phi:.2f}); the limits are widened by "
            f"that much."
        )
    if guess:
        told.append(
            f"How much areas differ anyway is a guess here: there are {len(judged)} areas, and "
            f"{AREAS_LEAST} are wanted."
        )
    finds = sum(point.adjusted_p is not None and point.adjusted_p <= 0.05 for point in judged)
    stand = {0: "none stands", 1: "1 stands"}.get(finds, f"{finds} stand")
    told.append(
        f"Allowing for {len(judged)} areas looked at together, {stand} out (false finds are held to 5 %)."
    )
    told += _few([point.label for point, is_few in zip(points, few, strict=True) if is_few])
    short = [p.label for p, is_few in zip(points, few, strict=True) if p.value is None and not is_few]
    if short:
        told.append(f"Too few data to be compared, counts only: {', '.join(short)}.")
    told.append("The order of the areas says nothing.")
    return tuple(told)
