"""The estimate of a clock's error against errors that were planted: offsets, drift, settings, delays."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dripledger.events.clock_fit import FEWEST_PAIRS, Fit, fit_clock

DAY = 86400.0


@dataclass
class Planted:
    """A log whose clock's error is known."""

    seed: int = 1
    pairs: int = 600
    days: float = 60.0
    steps: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    drift_s_day: float = 0.0
    delay_s: float = 20.0
    shortest_s: float = 0.0
    outages: tuple[tuple[float, float], ...] = ()
    resolution_s: float = 1.0
    true_s: np.ndarray = field(init=False)

    def error(self, t: np.ndarray) -> np.ndarray:
        error = np.zeros_like(t)
        for at, offset in self.steps:
            error[t >= at * DAY] = offset
        return error + self.drift_s_day / DAY * t

    def arrays(self) -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(self.seed)
        t = np.sort(rng.uniform(0, self.days * DAY, self.pairs))
        delay = self.shortest_s + rng.exponential(self.delay_s, self.pairs)
        for begin, end in self.outages:
            out = (t >= begin * DAY) & (t < end * DAY)
            delay[out] += end * DAY - t[out]
        reading = np.floor((t + self.error(t)) / self.resolution_s) * self.resolution_s
        self.true_s = t
        epoch = 1_790_000_000
        return ((reading + epoch) * 1e6).astype("int64"), ((t + delay + epoch) * 1e6).astype("int64")

    def fit(self) -> Fit:
        return fit_clock(*self.arrays(), resolution_s=self.resolution_s)


offsets = st.floats(-86400, 86400)
delays = st.floats(0.5, 120)


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 10_000), offset=offsets, delay=delays, pairs=st.integers(60, 3000))
def test_constant_error_is_found_within_its_doubt(seed: int, offset: float, delay: float, pairs: int) -> None:
    fit = Planted(seed, pairs, steps=((0, offset),), delay_s=delay).fit()
    assert len(fit.stretches) == 1
    (found,) = fit.stretches
    assert found.low_s - 1 <= offset <= found.high_s + 1
    assert abs(found.offset_s - offset) <= 2 + delay
    assert (found.pairs, fit.far) == (pairs, ())


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 10_000), drift=st.floats(-10, 10), offset=offsets)
def test_drift_is_found_within_its_doubt(seed: int, drift: float, offset: float) -> None:
    fit = Planted(seed, steps=((0, offset),), drift_s_day=drift).fit()
    assert len(fit.stretches) == 1
    (found,) = fit.stretches
    assert abs(found.drift_s_day - drift) < 0.2
    middle = offset + drift * 30
    assert abs(found.offset_s - middle) < 10
    assert found.drifts or abs(drift) < 0.2


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.floats(60, 20_000), min_size=1, max_size=3),
    signs=st.lists(st.booleans(), min_size=3, max_size=3),
    drift=st.sampled_from([0.0, 1.5, -1.5]),
)
def test_settings_of_the_clock_are_found_where_they_were(
    seed: int, sizes: list[float], signs: list[bool], drift: float
) -> None:
    days = [60 * (i + 1) / (len(sizes) + 1) for i in range(len(sizes))]
    steps, at = [(0.0, 500.0)], 500.0
    for day, size, up in zip(days, sizes, signs, strict=False):
        at += size if up else -size
        steps.append((day, at))
    back_and_forth = any(
        steps[i + 1][1] < min(steps[i][1], steps[i + 2][1]) and abs(steps[i][1] - steps[i + 2][1]) < 30
        for i in range(len(steps) - 2)
    )
    planted = Planted(seed, 1200, steps=tuple(steps), drift_s_day=drift)
    fit = planted.fit()
    if back_and_forth:
        # as if records came late: nothing tells the two apart
        return
    assert len(fit.stretches) == len(steps)
    for found, (day, offset) in zip(fit.stretches, steps, strict=True):
        # in records, for days pass between two now and then; a minute can hide among the delays of some
        first = np.searchsorted(planted.true_s, day * DAY)
        assert abs(found.first - first) <= (4 if min(sizes) >= 90 else 15)
        middle = (planted.true_s[found.first] + planted.true_s[found.last]) / 2 / DAY
        assert abs(found.offset_s - offset - drift * middle) < 15


@settings(deadline=None, max_examples=40)
@given(
    seed=st.integers(0, 10_000),
    begin=st.floats(2, 50),
    length=st.floats(0.05, 8),
    offset=st.sampled_from([0.0, 2820.0, -90.0]),
)
def test_records_that_came_late_set_no_clock(seed: int, begin: float, length: float, offset: float) -> None:
    fit = Planted(seed, steps=((0, offset),), outages=((begin, begin + length),)).fit()
    assert len(fit.stretches) == 1
    assert abs(fit.stretches[0].offset_s - offset) < 10


def test_late_records_at_the_end_set_no_clock() -> None:
    fit = Planted(steps=((0, 120.0),), outages=((52, 60),)).fit()
    assert [abs(s.offset_s - 120) < 10 for s in fit.stretches] == [True]


def test_nightly_exports_are_told_with_their_doubt() -> None:
    planted = Planted(pairs=2000, steps=((0, 2820.0),))
    reading, received = planted.arrays()
    nightly = -(-received // int(DAY * 1e6)) * int(DAY * 1e6)
    (found,) = fit_clock(reading, nightly).stretches
    assert found.low_s <= 2820 <= found.high_s
    assert found.high_s - found.low_s > 60


def test_shortest_delay_shifts_the_estimate_and_nothing_tells_it() -> None:
    fit = Planted(steps=((0, 100.0),), delay_s=2, shortest_s=30).fit()
    assert abs(fit.stretches[0].offset_s - 70) < 2


def test_clock_at_its_origin_is_set_apart() -> None:
    reading, received = Planted().arrays()
    reading[100:110] = 1_000_000 * np.arange(10)
    fit = fit_clock(reading, received)
    assert fit.far == tuple(range(100, 110))
    assert [abs(s.offset_s) < 3 for s in fit.stretches] == [True]


@pytest.mark.parametrize("pairs", [0, 1, FEWEST_PAIRS - 1])
def test_too_few_pairs_say_nothing(pairs: int) -> None:
    reading, received = Planted(pairs=max(pairs, 1)).arrays()
    assert fit_clock(reading[:pairs], received[:pairs]) == Fit((), ())


@settings(deadline=None, max_examples=20)
@given(seed=st.integers(0, 1000))
def test_order_of_pairs_changes_nothing(seed: int) -> None:
    reading, received = Planted(3, 300, steps=((0, 0.0), (30, 600.0))).arrays()
    order = np.random.default_rng(seed).permutation(reading.size)
    plain, mixed = fit_clock(reading, received), fit_clock(reading[order], received[order])
    assert [(s.offset_s, s.drift_s_day, s.pairs) for s in plain.stretches] == [
        (s.offset_s, s.drift_s_day, s.pairs) for s in mixed.stretches
    ]
    assert [s.first for s in plain.stretches] == [int(order[s.first]) for s in mixed.stretches]


def test_all_received_at_one_moment() -> None:
    reading, received = Planted(pairs=50).arrays()
    (found,) = fit_clock(reading, np.full_like(received, received.max() + 60_000_000)).stretches
    assert not found.drifts
    assert found.low_s < found.offset_s < found.high_s
