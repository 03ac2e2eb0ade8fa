"""The plain walk that works out what a damaged log can still show: small drawn logs, worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest

from dripledger.hospital import records as r
from dripledger.hospital.recover import Found, Heard, UnclearCaseError, Walk

HOUR = 3600


def ev(at: int, kind: int, channel: int = 1, gap: bool = False, **logged: Any) -> Heard:
    return Heard(at=at, kind=kind, channel=channel, session=0, gap=gap, ambiguous=False, **logged)


def on(at: int = 0) -> list[Heard]:
    return [ev(at, r.ON, 0, library=0), ev(at + 1, r.AREA, 0, area=3), ev(at + 2, r.PATIENT, 0, patient=7)]


def start(
    at: int, entry: int = 5, gap: bool = False, rate: int = 1000, volume: int = 100_000, use: int = 0
) -> Heard:
    return ev(at, r.START, gap=gap, use=use, entry=entry, strength=0, rate=rate, to_infuse=volume)


def walk(*events: Heard) -> list[Found]:
    return Walk().go([*on(), *events])


def hours(found: Found) -> float:
    return found.running_us / 3.6e9


def test_a_plain_infusion_runs_from_start_to_stop() -> None:
    (one,) = walk(start(100), ev(100 + 2 * HOUR, r.STOP), ev(9 * HOUR, r.OFF, 0))
    assert (hours(one), one.counted, one.area, one.uncertain) == (2.0, True, 3, False)


@pytest.mark.parametrize(("pause_s", "infusions"), [(HOUR, 1), (HOUR + 1, 2)])
def test_a_pause_may_last_an_hour_the_end_included(pause_s: int, infusions: int) -> None:  # ruling 6
    found = walk(start(0), ev(HOUR, r.PAUSE), start(HOUR + pause_s), ev(4 * HOUR, r.STOP))
    assert len(found) == infusions
    assert sum(f.running_us for f in found) == (HOUR + 4 * HOUR - HOUR - pause_s) * 1_000_000


@pytest.mark.parametrize(("wait_s", "infusions"), [(900, 1), (901, 2)])
def test_after_a_completion_the_window_is_a_quarter_of_an_hour(
    wait_s: int, infusions: int
) -> None:  # ruling 6
    found = walk(start(0), ev(HOUR, r.COMPLETE), start(HOUR + wait_s), ev(3 * HOUR, r.STOP))
    assert len(found) == infusions


def test_keep_open_is_no_running_time_and_a_start_within_it_is_a_refill() -> None:  # ruling 16
    (one,) = walk(
        start(0), ev(HOUR, r.COMPLETE), ev(HOUR + 3, r.KEEP_OPEN), start(3 * HOUR), ev(4 * HOUR, r.STOP)
    )
    assert hours(one) == 2.0


def test_another_entry_is_a_start_of_its_own() -> None:  # ruling 9
    first, second = walk(start(0), start(HOUR, entry=6), ev(2 * HOUR, r.STOP))
    assert (hours(first), hours(second), second.counted) == (1.0, 1.0, True)
    assert not first.uncertain  # ruling 1: nothing was lost, so no stop was


def test_hours_never_pass_the_volume_to_infuse() -> None:  # ruling 14: 10 mL at 10 mL/h is one hour
    first, second = walk(start(0, volume=1000), start(5 * HOUR, entry=6), ev(6 * HOUR, r.STOP))
    assert (hours(first), hours(second), first.uncertain) == (1.0, 1.0, True)


def test_a_rate_change_after_a_gap_bridges_it() -> None:  # ruling 22
    (one,) = walk(start(0), ev(2 * HOUR, r.RATE, gap=True, rate=500), ev(3 * HOUR, r.STOP))
    assert (hours(one), one.uncertain) == (3.0, False)


def test_a_start_after_a_gap_does_not_bridge_it() -> None:  # ruling 22
    first, second = walk(
        start(0), ev(HOUR, r.RATE, rate=500), start(5 * HOUR, entry=6, gap=True), ev(6 * HOUR, r.STOP)
    )
    assert (hours(first), first.uncertain) == (1.0, True)
    assert (hours(second), second.uncertain) == (1.0, False)


def test_a_power_off_after_a_gap_does_not_bridge_it() -> None:  # ruling 22
    (one,) = walk(start(0), ev(HOUR, r.RATE, rate=500), ev(4 * HOUR, r.OFF, 0, gap=True))
    assert (hours(one), one.uncertain) == (1.0, True)


def test_switched_on_while_on_the_stop_is_missing() -> None:  # ruling 25
    first, second = walk(
        start(0), ev(HOUR, r.RATE, rate=500), *on(8 * HOUR), start(9 * HOUR), ev(10 * HOUR, r.STOP)
    )
    assert (hours(first), first.uncertain, hours(second), second.counted) == (1.0, True, 1.0, True)


def test_a_patient_change_begins_an_infusion_that_is_no_start() -> None:  # ruling 4
    first, second = walk(start(0), ev(HOUR, r.PATIENT, 0, patient=8), ev(3 * HOUR, r.STOP))
    assert (hours(first), first.counted, hours(second), second.counted) == (1.0, True, 2.0, False)
    assert second.entry == first.entry


def test_a_log_that_begins_with_a_rate_change_gives_hours_and_no_start() -> None:  # ruling 3
    (one,) = walk(ev(HOUR, r.RATE, rate=500), ev(2 * HOUR, r.STOP))
    assert (hours(one), one.counted, one.use, one.uncertain) == (1.0, False, None, True)


def test_at_the_end_of_the_log_it_is_open_until_the_last_event_of_the_pump() -> None:
    (one,) = walk(start(0), ev(2 * HOUR, r.WEIGHT, 0))
    assert (hours(one), one.open, one.false_start) == (2.0, True, False)


@pytest.mark.parametrize(("seconds", "is_false"), [(29, True), (30, False)])
def test_under_thirty_seconds_is_a_false_start(seconds: int, is_false: bool) -> None:  # ruling 23
    (one,) = walk(start(0), ev(seconds, r.STOP), ev(HOUR, r.OFF, 0))
    assert one.false_start is is_false


def test_what_the_rules_leave_open_is_not_guessed() -> None:
    with pytest.raises(UnclearCaseError):  # the same programme again after an unknown stretch
        walk(start(0), start(600, gap=True))
    with pytest.raises(UnclearCaseError):
        walk(ev(HOUR, r.STOP))
