"""Amounts with bounds: each figure is worked out by hand beside its check."""

from __future__ import annotations

from fractions import Fraction

from dripledger.incidents.amounts import Bounds, Piece, between, bounds, shifted

HOUR = 3_600_000_000
MINUTE = 60_000_000
NOTHING: dict[str, object] = {"reach_us": 0, "doubts": {}, "usual_us": 0, "unsure": []}


def running(begins_h: float, ends_h: float, rate: float) -> Piece:
    """Return a stretch at a rate (mL/h)."""
    hours = Fraction(str(ends_h)) - Fraction(str(begins_h))
    return Piece(round(begins_h * HOUR), round(ends_h * HOUR), Fraction(str(rate)) * hours, "running")


#: 08-09 at 10 mL/h, 09-10 at 100 mL/h, then nothing
TENFOLD = [running(8, 9, 10), running(9, 10, 100)]


def told(pieces: list[Piece], a: float, b: float, **settings: object) -> Bounds:
    found, _ = bounds(pieces, round(a * HOUR), round(b * HOUR), **{**NOTHING, **settings})  # type: ignore[arg-type]
    return found


def test_rate_times_time() -> None:
    # half of 08-09: 10 mL/h x 0.5 h = 5 mL; a quarter of 09-10: 100 mL/h x 0.25 h = 25 mL
    assert between(TENFOLD, round(8.5 * HOUR), round(9.25 * HOUR)) == 30
    assert told(TENFOLD, 8.5, 9.25) == Bounds(30.0, 30.0, 30.0, False)


def test_a_clock_that_may_be_off_moves_both_moments() -> None:
    # 08:30 to 09:30 by a clock that may be off by 6 min either way (0.1 h):
    # early: 08:24-09:24 = 10 x 0.6 + 100 x 0.4 = 46; late: 08:36-09:36 = 10 x 0.4 + 100 x 0.6 = 64
    assert shifted(TENFOLD, round(8.5 * HOUR), round(9.5 * HOUR), 6 * MINUTE) == (46, 64)
    assert told(TENFOLD, 8.5, 9.5, reach_us=6 * MINUTE) == Bounds(55.0, 46.0, 64.0, False)


def test_the_most_can_lie_between_the_ends_of_the_reach() -> None:
    # only 09-10 runs; an hour's window that may be off by an hour: at most the whole 100 mL, at least none
    assert shifted([running(9, 10, 100)], round(8.5 * HOUR), round(9.5 * HOUR), HOUR) == (0, 100)


def test_an_event_an_hour_later_than_read() -> None:
    # 60 mL/h from 01:00 to 03:00; the start may have been up to an hour later (the repeated hour):
    # 01:00-03:00 shows 120 mL, and may be 60 mL
    pieces = [running(1, 3, 60)]
    doubts = {HOUR: (0, HOUR)}
    assert told(pieces, 1, 3, doubts=doubts) == Bounds(120.0, 60.0, 120.0, False)
    # 01:30-03:00 shows 90 mL; only the half hour of that hour that lies inside can go: 60 mL
    assert told(pieces, 1.5, 3, doubts=doubts) == Bounds(90.0, 60.0, 90.0, False)
    # a window that the start cannot reach is not touched
    assert told(pieces, 2.5, 3, doubts=doubts) == Bounds(30.0, 30.0, 30.0, False)


def test_two_events_of_the_repeated_hour_may_have_come_the_other_way_round() -> None:
    # 10 mL/h from 00:30 to 05:00 true time; set to 100 at 1:20 and to 10 at 1:40, each perhaps an hour later.
    # Both in one hour: 10 x 50 min + 100 x 20 min + 10 x 200 min = 8.333 + 33.333 + 33.333 = 75, and later
    # 10 x 110 + 100 x 20 + 10 x 140: 75 too. 1:20 in the first and 1:40 in the second: 8.333 + 100 x 80 min =
    # 133.333, + 10 x 140 min = 23.333: 165. And 1:40 (to 10) in the first, 1:20 (to 100) in the second:
    # 10 x 110 min = 18.333, 100 x 160 min = 266.667: 285, more than either can move alone
    third = Fraction(1, 3)
    edges = [Fraction(1, 2), 1 + third, 1 + 2 * third, Fraction(5)]
    pieces = [
        Piece(round(a * HOUR), round(b * HOUR), (b - a) * rate, "running")
        for a, b, rate in zip(edges, edges[1:], (10, 100, 10), strict=False)
    ]
    doubts = {round(edge * HOUR): (0, HOUR) for edge in edges[1:3]}
    found = told(pieces, 0, 6, doubts=doubts)
    assert found.seen == 75
    assert found.high == 285
    assert found.low <= 75


def test_the_other_way_round_may_be_less() -> None:
    # 100 mL/h from 00:30, 10 from 1:20, 100 from 1:40 to 5:00. The other way round: 100 until 2:20, then
    # 10 until 5:00: 100 x 110 min + 10 x 160 min = 183.333 + 26.667 = 210
    third = Fraction(1, 3)
    edges = [Fraction(1, 2), 1 + third, 1 + 2 * third, Fraction(5)]
    pieces = [
        Piece(round(a * HOUR), round(b * HOUR), (b - a) * rate, "running")
        for a, b, rate in zip(edges, edges[1:], (100, 10, 100), strict=False)
    ]
    doubts = {round(edge * HOUR): (0, HOUR) for edge in edges[1:3]}
    assert told(pieces, 0, 6, doubts=doubts).low == 210


def test_the_step_of_the_clock_at_each_edge() -> None:
    # steps of 1 s: start (0 -> 36 mL/h) and stop (36 -> 0) may each be 1 s off: 36 mL/h x 1 s = 0.01 mL each
    assert told([running(8, 9, 36)], 7, 10, usual_us=1_000_000) == Bounds(36.0, 35.98, 36.02, False)


def test_an_unknown_stretch_holds_nothing_or_the_highest_rate_beside_it() -> None:
    pieces = [running(8, 9, 10), Piece(9 * HOUR, 10 * HOUR, None, "unknown"), running(10, 11, 40)]
    found, length = bounds(pieces, 8 * HOUR, 11 * HOUR, **NOTHING)  # type: ignore[arg-type]
    # seen 10 + 40; nothing in the hour between, or 40 mL/h x 1 h more
    assert found == Bounds(50.0, 50.0, 90.0, False)
    assert length == HOUR


def test_an_unseen_stretch_with_no_rate_beside_it_has_no_upper_bound() -> None:
    # it ran and nobody logged a rate: nothing is seen, and nobody can say how much it was
    alone = [Piece(9 * HOUR, 10 * HOUR, None, "running")]
    assert told(alone, 8, 11) == Bounds(0.0, 0.0, 0.0, True)
    assert told(alone, 10.5, 11) == Bounds(0.0, 0.0, 0.0, False), "outside of it nothing ran"
    paused = [running(8, 9, 0), *alone]
    assert told(paused, 8, 11).open, "a rate of nothing is no rate that it may have run on at"


def test_an_unseen_stretch_may_run_at_the_rate_that_was_told_as_it_began() -> None:
    # 10 mL/h, then set to 60 as the last thing that was seen for an hour, then 10 again: up to 60 mL in it
    rate = Fraction(60, HOUR)
    pieces = [running(8, 9, 10), Piece(9 * HOUR, 10 * HOUR, None, "unknown", rate), running(10, 11, 10)]
    assert told(pieces, 8, 11) == Bounds(20.0, 20.0, 80.0, False)
    # and where nothing stands beside it, that is what it may have run at
    assert told(pieces[1:2], 8, 11) == Bounds(0.0, 0.0, 60.0, False)


def test_missing_records_leave_no_upper_bound() -> None:
    # 10 mL/h for two hours; records are missing for half an hour of it: 5 mL may not have flowed
    found = told([running(8, 10, 10)], 8, 10, unsure=[(round(9 * HOUR), round(9.5 * HOUR))])
    assert found == Bounds(20.0, 15.0, 20.0, True)


def test_two_holes_over_each_other_count_once() -> None:
    unsure = [(9 * HOUR, round(9.5 * HOUR)), (round(9.25 * HOUR), round(9.75 * HOUR))]
    assert told([running(8, 10, 10)], 8, 10, unsure=unsure) == Bounds(20.0, 12.5, 20.0, True)


def test_never_below_nothing() -> None:
    found = told([running(8, 8.01, 10)], 8, 9, usual_us=HOUR)
    assert found.low == 0.0
