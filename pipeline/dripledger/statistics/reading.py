"""The chart of a measure, read: which chart and why, frozen limits, signals, and sentences about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import ArrayError, Floats, as_floats
from dripledger.statistics.chart_model import Change, ChartKind, ChartReading, Look, Point, Segment, Series
from dripledger.statistics.chart_words import Found, describe, nothing_found, patterns, runs_sentence
from dripledger.statistics.charts import Fit, rate_fit, share_fit, value_fit, widened
from dripledger.statistics.in_control import BASELINE_POINTS
from dripledger.statistics.intervals import checked_share
from dripledger.statistics.judging import exact_limits, exact_of
from dripledger.statistics.layout import Bools, Ints, lay_out
from dripledger.statistics.poisson import checked_events
from dripledger.statistics.rules import Signals, runs, signals_of
from dripledger.statistics.small_counts import is_small
from dripledger.statistics.words import span

#: Why a point is not there.
NO_FIGURE: Final = "Too few data for a figure"


def read_chart(
    labels: Sequence[str],
    numerator: npt.ArrayLike,
    denominator: npt.ArrayLike,
    series: Series,
    *,
    enough: Sequence[bool],
    changes: Sequence[Change] = (),
    provisional: Sequence[bool] | None = None,
    since: int = 0,
    noun: str = "months",
    decimal: str = ".",
) -> ChartReading:
    """Draw and read the chart of one measure.

    Parameters
    ----------
    labels
        Names of the points in order of time ("March 2026"), without gaps.
    numerator, denominator
        Shape (points,). COUNTS: whole numbers, 0 <= x <= n. HOURS: amounts, part <= whole. EVENTS: whole
        numbers over an exposure. VALUES: the value itself, and how many it rests on.
    series
        What the numbers are.
    enough
        Which points reach the least data of the measure; the others keep their counts and have no value, no
        signal and no part in limits. A denominator of 0 is never enough.
    changes
        Declared changes that concern this measure; only they start new limits.
    provisional
        Points that may still change.
    since
        The first point that the reading shows. All are judged, and the first 12 of a segment make its limits
        wherever they lie; so the limits of a chart of the last year stand while months leave its left edge.
        Long waves are looked for in what is shown.
    noun
        What the points are, plural.
    decimal
        Decimal sign of the sentences.

    Returns
    -------
    ChartReading
        Frozen; the same input gives the same reading.

    Raises
    ------
    ArrayError
        For numbers that cannot be, lengths that differ, no point, or a change or `since` outside the series.

    Notes
    -----
    Limits come from the first 12 points of a segment and then stand, until a declared change: a chart that
    learns from every new month would follow a slow decay and never see it. The kind of chart is chosen on the
    same points, and stands as long. Which chart: hours and single values get XmR, since hours of one infusion
    stand together; counts get a p (u) chart, widened (p', u') where the baseline varies more than independent
    counts would. The measured dispersion is used from 1 upwards, so that the limits change smoothly with it
    and are never narrower than chance. What lies beyond the limits in a baseline
    stays in it: leaving it out takes a known cause, which is what a declared change is for.

    Where fewer than 5 are expected of what is counted (or of the rest of a share), limits and signals are by
    exact chance (`small_counts`), against the baseline without the point: beyond is a count whose predictive
    chance is at most 0.135 %; a shift is 7 points or more on one side that together are as unlikely as 7 fair
    coins; near a limit and long waves are not judged.
    """
    count = len(labels)
    if count == 0:
        raise ArrayError("labels", "is empty: a chart needs a point")
    if not 0 <= since < count:
        raise ArrayError("since", f"point {since} is not one of {count}")
    x, n = as_floats("numerator", numerator), as_floats("denominator", denominator)
    for name, size in (("numerator", x.shape), ("denominator", n.shape)):
        if size != (count,):
            raise ArrayError(name, f"has shape {size}; there are {count} labels")
    told = _mask("enough", enough, count) & (n > 0)
    open_ = np.zeros(count, np.bool_) if provisional is None else _mask("provisional", provisional, count)
    number, whats = _segments(changes, count)
    judged = told & ~open_
    base = _baseline(judged, number, len(whats))
    fit = _fit(x, n, series, told, base, number)
    pieces = tuple(
        _segment(fit, n, series, number == k, judged, base, np.arange(count) >= since, whats[k], noun)
        for k in range(len(whats))
    )
    members = _judge(fit, n, series, judged, base, number)
    points = _points(labels, x, n, fit, series, number, base, open_, members)
    earlier = int(number[since])
    kept = pieces[earlier:]
    found = patterns(labels, judged, number, members, noun, since)
    return ChartReading(
        series,
        tuple(replace(point, segment=point.segment - earlier) for point in points[since:]),
        tuple(replace(piece, first=max(piece.first - since, 0), last=piece.last - since) for piece in kept),
        tuple(replace(one, points=tuple(i - since for i in one.points if i >= since)) for one in found),
        _sentences(found, kept, noun),
        _notes(labels, kept, number, base, told, open_, since, noun, decimal),
        _look(fit, n, series, number, judged, pieces[-1]),
    )


def _mask(argument: str, values: Sequence[bool], count: int) -> Bools:
    mask = np.asarray(values)
    if mask.dtype.kind != "b" or mask.shape != (count,):
        raise ArrayError(argument, f"is not one true or false for each of {count} points")
    return mask


def _segments(changes: Sequence[Change], count: int) -> tuple[Ints, list[str]]:
    """Return the segment of each point, and what each segment starts with."""
    starts: dict[int, list[str]] = {}
    for position, change in enumerate(changes):
        if not 0 <= change.first < count:
            raise ArrayError("changes", f"point {change.first} is not one of {count}", (position,))
        starts.setdefault(change.first, []).append(change.what)
    number = np.zeros(count, np.int64)
    since = ["; ".join(starts.pop(0, []))]
    for first in sorted(starts):
        number[first:] += 1
        since.append("; ".join(starts[first]))
    return number, since


def _baseline(judged: Bools, number: Ints, segments: int) -> Bools:
    base = np.zeros(judged.shape, np.bool_)
    for k in range(segments):
        base[np.flatnonzero(judged & (number == k))[:BASELINE_POINTS]] = True
    return base


def _fit(x: Floats, n: Floats, series: Series, told: Bools, base: Bools, number: Ints) -> Fit:
    """Fit the chart; points without enough data are left out of it, but still checked."""
    if series is Series.COUNTS:
        checked_share("numerator", x, "denominator", n)
        return widened(share_fit(np.where(told, x, 0.0), np.where(told, n, 0.0), base, number), floor=1.0)
    if series is Series.EVENTS:
        checked_events("numerator", x, "denominator", n)
        return widened(rate_fit(np.where(told, x, 0.0), np.where(told, n, 0.0), base, number), floor=1.0)
    if np.any(n < 0):
        raise ArrayError("denominator", "is negative", (int(np.argmax(n < 0)),))
    value = x
    if series is Series.HOURS:
        wrong = (x < 0) | (x > n)
        if np.any(wrong):
            place = (int(np.argmax(wrong)),)
            raise ArrayError("numerator", "does not lie between 0 and its denominator", place)
        value = x / np.where(n > 0, n, 1.0)
    return value_fit(value, ~told, base, number)


def _segment(
    fit: Fit,
    n: Floats,
    series: Series,
    inside: Bools,
    judged: Bools,
    base: Bools,
    shown: Bools,
    since: str,
    noun: str,
) -> Segment:
    places = np.flatnonzero(inside)
    used, own = base & inside, fit.layout.flat(inside)
    seen = fit.layout.flat(inside & judged)
    dispersion = float(fit.dispersion[own][0]) if own.any() else float("nan")
    counts = series in (Series.COUNTS, Series.EVENTS)
    chart, reason = _choose(series, dispersion, int(used.sum()), noun)
    small = False
    run = None
    if used.any():
        centre = float(fit.centre[own][0])
        share = series is Series.COUNTS
        few = is_small(fit.centre[seen], fit.layout.flat(n)[seen], share) & counts
        # Of few counts most lie on one side of their mean, or on it: they are no tosses of a coin.
        small = bool(few.any())
        # Nor does a wave of years ago say anything of what is shown.
        late = ~few & fit.layout.flat(shown)[seen]
        run = runs(fit.value[seen][late], centre) if late.any() else None
    return Segment(
        int(places[0]), int(places[-1]), since, chart, reason, int(used.sum()), int((inside & judged).sum()),
        int(used.sum()) < BASELINE_POINTS, dispersion if counts and np.isfinite(dispersion) else None, small,
        run,
    )  # fmt: skip


def _choose(series: Series, dispersion: float, points: int, noun: str) -> tuple[ChartKind, str]:
    if series is Series.HOURS:
        return ChartKind.XMR, (
            "XmR chart, because hours of one infusion stand together: a p chart would take each hour for a "
            "draw of its own and be far too sure"
        )
    if series is Series.VALUES:
        return ChartKind.XMR, f"XmR chart, because each of the {noun} is a single value, not a count"
    name, wide, what = (
        (ChartKind.P, ChartKind.P_WIDENED, "a share of counts")
        if series is Series.COUNTS
        else (ChartKind.U, ChartKind.U_WIDENED, "counted events over an exposure")
    )
    if dispersion > 1:
        return wide, (
            f"{wide.value} chart, because it is {what}, and the {points} baseline {noun} differ "
            f"{dispersion:.2f} times as much as independent counts would"
        )
    if not np.isfinite(dispersion):
        return (
            name,
            f"{name.value} chart, because it is {what}; too few {noun} to measure how much they differ",
        )
    return name, (
        f"{name.value} chart, because it is {what}, and the {points} baseline {noun} differ no more than "
        f"independent counts would"
    )


def _judge(fit: Fit, n: Floats, series: Series, judged: Bools, base: Bools, number: Ints) -> Signals:
    """Apply the rules to the points that count."""
    layout = lay_out(judged, base, number)
    keep = fit.layout.flat(judged)
    own = Fit(layout, fit.value[keep], fit.centre[keep], fit.sigma[keep], fit.dispersion[keep])
    exact = None
    if series in (Series.COUNTS, Series.EVENTS):
        exact = exact_of(own, layout.flat(n), series is Series.COUNTS)
    return signals_of(own, exact)


def _points(
    labels: Sequence[str], x: Floats, n: Floats, fit: Fit, series: Series, number: Ints, base: Bools,
    open_: Bools, members: Signals,
) -> tuple[Point, ...]:  # fmt: skip
    shaped = fit.layout.shaped
    bounded = series is not Series.VALUES
    least = 0.0 if bounded else -np.inf
    most = 1.0 if series in (Series.COUNTS, Series.HOURS) else np.inf
    low, high = (np.clip(fit.centre + side * 3 * fit.sigma, least, most) for side in (-1, 1))
    if series in (Series.COUNTS, Series.EVENTS):
        small, limits = exact_limits(fit, fit.layout.flat(n), series is Series.COUNTS)
        low[small], high[small] = limits.low, limits.high
    value, centre, low, high = (shaped(part, np.nan) for part in (fit.value, fit.centre, low, high))
    return tuple(
        Point(
            labels[i], float(x[i]), float(n[i]), _or_none(value[i]), _or_none(centre[i]), _or_none(low[i]),
            _or_none(high[i]), int(number[i]), bool(base[i]), bool(open_[i]),
            tuple(rule for rule in ("beyond", "trend", "near", "shift") if getattr(members, rule)[i]),
        )
        for i in range(len(labels))
    )  # fmt: skip


def _look(fit: Fit, n: Floats, series: Series, number: Ints, judged: Bools, newest: Segment) -> Look:
    """Return what the newest segment was judged by."""
    if series not in (Series.COUNTS, Series.EVENTS) or newest.points == 0:
        return Look(newest.points, newest.chart is not ChartKind.XMR)
    last = judged & (number == number[-1])
    return Look(
        newest.points, True, tuple(n[last].tolist()), series is Series.COUNTS,
        float(fit.centre[fit.layout.flat(last)][0]), newest.dispersion or 1.0,
    )  # fmt: skip


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _sentences(found: tuple[Found, ...], pieces: tuple[Segment, ...], noun: str) -> tuple[str, ...]:
    newest = pieces[-1]
    told = [pattern.sentence for pattern in found]
    if newest.runs is not None and bool(newest.runs.signal):
        # A shift has named the long run already, with its months.
        shifted = any(pattern.rule == "shift" and pattern.points[0] >= newest.first for pattern in found)
        waves = runs_sentence(newest.runs, noun, run_told=shifted)
        told += [waves] if waves else []
    return tuple(told) or (nothing_found(newest.points, noun, bool(newest.since)),)


def _notes(
    labels: Sequence[str], pieces: tuple[Segment, ...], number: Ints, base: Bools, told: Bools, open_: Bools,
    since: int, noun: str, decimal: str,
) -> tuple[str, ...]:  # fmt: skip
    notes = []
    for piece in pieces:
        rests = np.flatnonzero(base & (number == number[piece.last]))
        gone = span(labels[rests[0]], labels[rests[-1]]) if rests.size and rests[0] < since else ""
        notes += describe(
            labels[piece.first] if piece.since else "", piece.since, piece.reason.replace(".", decimal),
            piece.baseline_points, BASELINE_POINTS, gone, piece.rough, noun,
        )  # fmt: skip
    short = [labels[i] for i in np.flatnonzero(~told).tolist() if i >= since]
    if short:
        notes.append(f"{NO_FIGURE}, so no point: {', '.join(short)}.")
    still = [labels[i] for i in np.flatnonzero(open_).tolist() if i >= since]
    if still:
        notes.append(f"Provisional, so without a signal: {', '.join(still)}.")
    return tuple(notes)
