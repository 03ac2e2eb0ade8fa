"""How far one pump's clock is off, from pairs of its reading and the moment at which a server received it.

A record is received after it happened: reading minus receipt is the clock's error less the delay, and a
delay is never negative. So the error lies along the upper edge of these differences. The edge is taken
robustly: the largest difference of each block of records, a Theil-Sen line through the blocks, and a new
stretch wherever the edge steps, as it does when somebody sets the clock. The shortest delay cannot be told
from a slow clock.

Method: Theil-Sen as in P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379, from memory; the rest is our own and is
checked against planted errors. Numbers of pairs and thresholds: common practice, no source.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]

#: Fewer pairs say too little.
FEWEST_PAIRS: Final = 12
#: A smaller step is no setting of a clock.
LEAST_STEP_S: Final = 10.0
#: A reading that far before its receipt comes from a clock that was not set.
FAR_S: Final = 60 * 86400.0

_FEWEST_BLOCKS: Final = 3
_MOST_BLOCKS: Final = 240
_BLOCK_PAIRS: Final = (4, 12)
_STEP_IN_NOISE: Final = 6.0
_DAY_S: Final = 86400.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time over which the clock ran on without being set.

    Parameters
    ----------
    first, last
        Its first and last pair, as places in the arrays given, in the order of receipt.
    pairs
        Number of pairs in it.
    offset_s
        Pump minus true time in the middle of the stretch, seconds.
    low_s, high_s
        How sure that is; the shortest delay, which nothing tells, is not in it.
    drift_s_day
        Seconds that the clock gains a day.
    drift_low_s_day, drift_high_s_day
        How sure that is.
    length_s
        From the first receipt to the last, seconds.
    """

    first: int
    last: int
    pairs: int
    offset_s: float
    low_s: float
    high_s: float
    drift_s_day: float
    drift_low_s_day: float
    drift_high_s_day: float
    length_s: float

    @property
    def drifts(self) -> bool:
        """Whether the drift is surely not zero."""
        return self.drift_low_s_day > 0 or self.drift_high_s_day < 0


@dataclass(frozen=True, slots=True)
class Fit:
    """What the pairs of one pump tell.

    Parameters
    ----------
    stretches
        In the order of receipt; none where there are too few pairs.
    far
        Places of the pairs whose reading lies far (`FAR_S`) before their receipt; they are in no stretch.
    """

    stretches: tuple[Stretch, ...]
    far: tuple[int, ...]


def fit_clock(instant_us: Ints, received_us: Ints, resolution_s: float = 1.0) -> Fit:
    """Estimate a clock's error.

    Parameters
    ----------
    instant_us
        Readings as instants, uncorrected, microseconds since 1970; shape (n,).
    received_us
        When each was received by a clock that is right, microseconds since 1970; shape (n,).
    resolution_s
        Smallest step of a reading, seconds.

    Returns
    -------
    Fit
        One stretch for each time between two settings of the clock.
    """
    lead = (instant_us - received_us) / 1e6
    order = np.lexsort((instant_us, received_us))
    far = order[lead[order] < -FAR_S]
    near = order[lead[order] >= -FAR_S]
    if near.size < FEWEST_PAIRS:
        return Fit((), tuple(int(i) for i in far))
    y = lead[near]
    t = (received_us[near] - received_us[near[0]]) / 1e6
    ends = _blocks(t)
    stretches = [
        _stretch(t, y, near, start, stop, resolution_s) for start, stop in _parts(t, y, ends, resolution_s)
    ]
    return Fit(tuple(stretches), tuple(int(i) for i in far))


def _blocks(t: Floats) -> list[int]:
    """Return the ends of blocks of consecutive pairs; what was received at one moment stays together."""
    low, high = _BLOCK_PAIRS
    size = max(min(max(t.size // 40, low), high), -(-t.size // _MOST_BLOCKS))
    ends = []
    at = 0
    while at < t.size:
        at = min(at + size, t.size)
        while at < t.size and t[at] == t[at - 1]:
            at += 1
        ends.append(at)
    # a short rest belongs to the block before it
    if len(ends) > 1 and ends[-1] - ends[-2] < low:
        del ends[-2]
    return ends


def _edge(t: Floats, y: Floats, ends: list[int]) -> tuple[Floats, Floats]:
    """Return when each block has its largest difference, and that difference."""
    starts = [0, *ends[:-1]]
    tops = [a + int(np.argmax(y[a:b])) for a, b in zip(starts, ends, strict=True)]
    return t[tops], y[tops]


def _caught_up(t: Floats, y: Floats, ends: list[int]) -> NDArray[np.bool_]:
    """Return which blocks came as they happened: a backlog that is sent at once tells of its delay only."""
    starts = [0, *ends[:-1]]
    live = []
    for a, b in zip(starts, ends, strict=True):
        received = t[b - 1] - t[a]
        happened = np.ptp(y[a:b] + t[a:b])
        live.append(bool(happened <= 2 * received + 120))
    return np.array(live)


def _parts(t: Floats, y: Floats, ends: list[int], resolution_s: float) -> list[tuple[int, int]]:
    """Return the stretches as (start, stop) in the order of receipt."""
    live = _caught_up(t, y, ends)
    kept = np.flatnonzero(live) if live.sum() >= 2 * _FEWEST_BLOCKS else np.arange(len(ends))
    when, top = (a[kept] for a in _edge(t, y, ends))
    flat = top - _usual_slope(when, top) * when
    cuts = _steps(flat, resolution_s)
    cuts = _without_delays(flat, cuts, resolution_s)
    levels = [float(np.median(flat[a:b])) for a, b in zip([0, *cuts], [*cuts, flat.size], strict=True)]
    slope = _usual_slope(when, top)
    bounds = [0]
    for cut, before, after in zip(cuts, levels, levels[1:], strict=False):
        # the pair at which the edge steps lies in the blocks beside the cut
        start = ([0, *ends])[int(kept[cut - 1])]
        stop = ends[int(kept[cut])]
        level = y[start:stop] - slope * t[start:stop]
        above = np.flatnonzero(level > (before + after) / 2)
        place = int(above[0]) if after > before else int(above[-1]) + 1 if above.size else 0
        bounds.append(max(start + place, bounds[-1] + 1))
    return list(zip(bounds, [*bounds[1:], t.size], strict=True))


def _usual_slope(when: Floats, top: Floats) -> float:
    """Return the median slope between blocks near each other: a step is in few of these."""
    if top.size < 2 * _FEWEST_BLOCKS:
        return 0.0
    slopes = []
    for lag in range(1, min(8, top.size // 2) + 1):
        apart = when[lag:] - when[:-lag]
        some = apart > 0
        slopes.append((top[lag:] - top[:-lag])[some] / apart[some])
    every = np.concatenate(slopes)
    if not every.size:
        return 0.0
    slope = float(np.median(every))
    # no clock gains a minute a day; such a slope is a pattern of delays
    return slope if abs(slope) * _DAY_S < 60 else 0.0


def _noise(flat: Floats) -> float:
    """Return the scatter of neighbouring blocks, as a standard deviation."""
    if flat.size < 2:
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(flat))) / np.sqrt(2))


def _steps(flat: Floats, resolution_s: float) -> list[int]:
    """Return the places at which the level changes for good: the best division, and then taken back."""
    least = max(LEAST_STEP_S, 4 * resolution_s)
    cuts = _divide(_smooth(flat), max(least, _STEP_IN_NOISE * _noise(flat)))
    # beside stretches that scatter as much as they differ, nothing was set; the weakest goes first
    while cuts:
        bounds = [0, *cuts, flat.size]
        parts = [flat[a:b] for a, b in itertools.pairwise(bounds)]
        excess = [
            abs(float(np.median(new) - np.median(old)))
            - max(least, _STEP_IN_NOISE * (_spread(old) + _spread(new)) / (old.size + new.size))
            for old, new in itertools.pairwise(parts)
        ]
        weakest = int(np.argmin(excess))
        if excess[weakest] > 0:
            break
        del cuts[weakest]
    return cuts


def _smooth(flat: Floats) -> Floats:
    """Return the median of five neighbours: a block that came late goes, a step stays where it is."""
    if flat.size < 5:
        return flat
    wide = np.pad(flat, 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(wide, 5), axis=1), np.float64)


def _divide(level: Floats, step: float) -> list[int]:
    """Return where to cut so that squares around each part's mean, and a price for each cut, are least."""
    n = level.size
    if n < 2 * _FEWEST_BLOCKS:
        return []
    centred = level - np.median(level)
    sums = np.concatenate([[0.0], np.cumsum(centred)])
    squares = np.concatenate([[0.0], np.cumsum(centred**2)])
    best = np.full(n + 1, np.inf)
    best[0] = 0.0
    cut_before = np.zeros(n + 1, dtype=np.int64)
    for stop in range(_FEWEST_BLOCKS, n + 1):
        starts = np.arange(stop - _FEWEST_BLOCKS + 1)
        inside = squares[stop] - squares[starts] - (sums[stop] - sums[starts]) ** 2 / (stop - starts)
        costs = best[starts] + inside + step**2
        cut_before[stop] = int(np.argmin(costs))
        best[stop] = costs[cut_before[stop]]
    cuts = []
    at = int(cut_before[n])
    while at > 0:
        cuts.append(at)
        at = int(cut_before[at])
    return cuts[::-1]


def _spread(part: Floats) -> float:
    return float(np.sum(np.abs(part - np.median(part))))


def _without_delays(flat: Floats, cuts: list[int], resolution_s: float) -> list[int]:
    """Drop stretches that lie lower than both neighbours, which agree: these came late, no clock was set."""
    least = max(LEAST_STEP_S, 4 * resolution_s)
    changed = True
    while changed:
        changed = False
        bounds = [0, *cuts, flat.size]
        levels = [float(np.median(flat[a:b])) for a, b in itertools.pairwise(bounds)]
        for place in range(1, len(levels) - 1):
            before, here, after = levels[place - 1 : place + 2]
            if here < min(before, after) and abs(before - after) < least:
                del cuts[place - 1 : place + 1]
                changed = True
                break
    return cuts


def _stretch(
    t: Floats, y: Floats, near: NDArray[np.intp], start: int, stop: int, resolution_s: float
) -> Stretch:
    times, leads = t[start:stop], y[start:stop]
    ends = _blocks(times)
    when, top = _edge(times, leads, ends)
    middle = float(times[0] + times[-1]) / 2
    slope, low, high = _theil_sen(when, top)
    rest = top - slope * (when - middle)
    # the largest of many blocks came with hardly any delay; the very largest may be a slip of the server
    edge = float(np.quantile(rest, 0.9))
    width = float(edge - np.median(rest) + resolution_s)
    # the fewer blocks, the less sure that one of them came without delay
    width *= 1 + 2 / math.sqrt(rest.size)
    if rest.size < _FEWEST_BLOCKS:
        width += float(np.ptp(rest)) + LEAST_STEP_S
    return Stretch(
        first=int(near[start]),
        last=int(near[stop - 1]),
        pairs=stop - start,
        offset_s=edge,
        low_s=edge - width,
        high_s=edge + width,
        drift_s_day=slope * _DAY_S,
        drift_low_s_day=low * _DAY_S,
        drift_high_s_day=high * _DAY_S,
        length_s=float(times[-1] - times[0]),
    )


def _theil_sen(when: Floats, top: Floats) -> tuple[float, float, float]:
    """Return the median slope of all pairs of blocks, and its 95 % interval by Kendall's statistic."""
    n = top.size
    if n < 2 * _FEWEST_BLOCKS or when[-1] - when[0] <= 0:
        return 0.0, -np.inf, np.inf
    i, j = np.triu_indices(n, 1)
    apart = when[j] - when[i]
    some = apart > 0
    slopes = np.sort((top[j] - top[i])[some] / apart[some])
    if not slopes.size:
        return 0.0, -np.inf, np.inf
    slope = float(np.median(slopes))
    half = 1.96 * np.sqrt(n * (n - 1) * (2 * n + 5) / 18) / 2
    low = int(max(np.floor(slopes.size / 2 - half), 0))
    high = int(min(np.ceil(slopes.size / 2 + half), slopes.size - 1))
    return slope, float(slopes[low]), float(slopes[high])
