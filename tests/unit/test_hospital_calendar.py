"""Local time for arrays: month edges, readings of a clock, and the repeated hour (ruling 11)."""

from __future__ import annotations

import numpy as np
import pytest

from dripledger.hospital.calendar import Calendar, month_after

#: 25 October 2026 01:00 UTC: in Lisbon the clocks go back from 02:00 to 01:00 (tz database, Europe/Lisbon).
TURN = 1792890000


@pytest.fixture(scope="module")
def calendar() -> Calendar:
    return Calendar("Europe/Lisbon", "2026-09", 3)


def local(calendar: Calendar, *texts: str) -> np.ndarray:
    return np.array([np.datetime64(t, "s").astype(np.int64) for t in texts])


def test_months_begin_at_local_midnight(calendar: Calendar) -> None:
    assert calendar.months == ["2026-09", "2026-10", "2026-11"]
    hours = np.diff(calendar.month_starts) / 3600
    assert hours.tolist() == [30 * 24, 31 * 24 + 1, 30 * 24]  # October holds the repeated hour
    assert calendar.month_index(calendar.month_starts[:3]).tolist() == [0, 1, 2]
    assert calendar.month_index(calendar.month_starts[1:2] - 1).tolist() == [0]


def test_the_clocks_go_back_where_the_zone_says(calendar: Calendar) -> None:
    assert calendar.autumn_changes() == [TURN]
    assert calendar.iso(TURN - 1) == "2026-10-25T01:59:59+01:00"
    assert calendar.iso(TURN) == "2026-10-25T01:00:00+00:00"


def test_outside_the_repeated_hour_a_reading_is_exact(calendar: Calendar) -> None:
    true = np.array([TURN - 7200, TURN - 3601, TURN + 3600, TURN + 90_000])
    instants, ambiguous = calendar.resolve(calendar.reading(true))
    assert instants.tolist() == true.tolist()
    assert not ambiguous.any()


def test_a_clock_seen_going_back_tells_both_hours_apart(calendar: Calendar) -> None:
    readings = local(calendar, "2026-10-25T00:50", "2026-10-25T01:20", "2026-10-25T01:40", "2026-10-25T01:10",
                     "2026-10-25T02:05")  # fmt: skip
    instants, ambiguous = calendar.resolve(readings)
    assert (instants - TURN).tolist() == [-4200, -2400, -1200, 600, 3900]
    assert not ambiguous.any()


def test_where_nothing_tells_the_earlier_hour_is_taken_and_it_is_ambiguous(calendar: Calendar) -> None:
    readings = local(calendar, "2026-10-25T00:50", "2026-10-25T01:10", "2026-10-25T01:40", "2026-10-25T02:05")
    instants, ambiguous = calendar.resolve(readings)
    assert (instants - TURN).tolist() == [-4200, -3000, -1200, 3900]
    assert ambiguous.tolist() == [False, True, True, False]


def test_months_are_counted_over_the_turn_of_the_year() -> None:
    assert [month_after("2026-01", by) for by in (-1, 0, 11, 12)] == [
        "2025-12",
        "2026-01",
        "2026-12",
        "2027-01",
    ]
