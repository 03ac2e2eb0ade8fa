"""Starts under other windows of continuation (ruling 49): counts over the gaps between neighbours."""

from __future__ import annotations

from datetime import datetime, timedelta
from random import Random
from typing import Any

import pytest
from tests.measure_samples import site, store

from dripledger.measures import Month, prepare, starts_variants

SITE = site()


def variants(measure: str = "library_use_starts", **drawn: Any) -> dict[float, tuple[int, int]]:
    con = store(**drawn)
    prepare(con, SITE, [Month(2026, 10)], ["starts_variants"])
    sums: dict[float, tuple[int, int]] = {}
    for row in starts_variants(con, SITE).to_pylist():
        if row["measure"] != measure:
            continue
        part, whole = sums.get(row["window_min"], (0, 0))
        sums[row["window_min"]] = (part + row["numerator"], whole + row["denominator"])
    return sums


def pair(
    gap_min: int, second: dict[str, Any] | None = None, first: dict[str, Any] | None = None, **more: Any
) -> Any:
    """Two infusions of one channel: 08:00-09:00, and one hour from 09:00 + gap."""
    begin, end = f"2026-10-05 09:{gap_min:02}", f"2026-10-05 10:{gap_min:02}"
    if gap_min >= 60:
        begin, end = f"2026-10-05 10:{gap_min - 60:02}", f"2026-10-05 11:{gap_min - 60:02}"
    rows = [
        {"infusion_id": "a", "ended_at": "2026-10-05 09:00", **(first or {})},
        {"infusion_id": "b", "started_at": begin, "ended_at": end, **(second or {})},
    ]
    shared = ("infusion_id", "started_at", "ended_at", "care_area", "entry", "library_use", "patient_key")
    segments = [{k: row[k] for k in shared if k in row} for row in rows]
    return variants(infusions=rows, segments=segments, **more)


def test_two_starts_forty_minutes_apart_are_one_under_sixty() -> None:
    assert pair(40) == {0: (2, 2), 15: (2, 2), 60: (1, 1)}


def test_the_end_of_the_window_is_inside() -> None:
    """Ruling 6."""
    assert pair(60)[60] == (1, 1)
    assert pair(61)[60] == (2, 2)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ({}, {"library_use": "bypassed"}),
        ({}, {"entry": "propofol"}),
        ({}, {"care_area": "ward"}),
        ({}, {"start_kind": "entry_changed"}),
        ({"concentration_value": "1"}, {"concentration_value": "5"}),
        ({"fluid_source": "primary"}, {"fluid_source": "secondary"}),
        ({"patient_key": "x"}, {"patient_key": "y"}),
    ],
)
def test_another_programme_patient_or_area_is_a_start_under_every_window(
    first: dict[str, Any], second: dict[str, Any]
) -> None:
    assert pair(40, second, first)[60][1] == 2


def test_a_patient_who_was_not_logged_makes_no_difference() -> None:
    """Ruling 13."""
    assert pair(40, {"patient_key": "-"}, {"patient_key": "x"})[60] == (1, 1)


@pytest.mark.parametrize("kind", ["powered_off", "power_lost", "totals_cleared", "patient_changed"])
@pytest.mark.parametrize(("channel", "starts"), [("()", 2), ("A", 2), ("B", 1)])
def test_a_power_off_between_them_keeps_them_apart(kind: str, channel: str, starts: int) -> None:
    """What happens to the whole pump happens to every channel, what happens to another channel to none."""
    events = [{"kind": kind, "channel": channel, "occurred_at": "2026-10-05 09:10"}]
    assert pair(40, events=events)[60] == (starts, starts)


def test_only_a_stop_or_a_completion_opens_the_longer_window() -> None:
    assert pair(40, first={"end_kind": "completed"})[60] == (1, 1)
    for end_kind in ("powered_off", "stop_missing", "superseded", "patient_change"):
        assert pair(40, first={"end_kind": end_kind})[60] == (2, 2)


def test_a_false_start_that_joins_a_real_one_is_part_of_it() -> None:
    assert pair(40, first={"false_start": "yes"}) == {0: (1, 1), 15: (1, 1), 60: (1, 1)}
    assert pair(40, {"false_start": "yes"}) == {0: (1, 1), 15: (1, 1), 60: (1, 1)}


def test_what_joins_an_infusion_whose_start_is_missing_is_no_start() -> None:
    """Ruling 3."""
    assert pair(40, first={"start_kind": "missing"}) == {0: (1, 1), 15: (1, 1)}


CONTINUED = """
    | infusion_id | state   | started_at       | ended_at         |
    | a           | running | 2026-10-05 08:00 | 2026-10-05 08:30 |
    | a           | paused  | 2026-10-05 08:30 | 2026-10-05 08:40 |
    | a           | running | 2026-10-05 08:40 | 2026-10-05 09:00 |
    """
ONE = "| infusion_id | ended_at |\n| a | 2026-10-05 09:00 |"


def test_a_continuation_after_a_stop_is_a_start_under_zero() -> None:
    for kind in ("infusion_stopped", "infusion_completed"):
        events = f"| kind | occurred_at |\n| {kind} | 2026-10-05 08:30 |"
        assert variants(infusions=ONE, segments=CONTINUED, events=events) == {
            0: (2, 2),
            15: (1, 1),
            60: (1, 1),
        }


def test_a_continuation_after_a_pause_is_none_under_any_window() -> None:
    events = "| kind | occurred_at |\n| infusion_paused | 2026-10-05 08:30 |"
    assert variants(infusions=ONE, segments=CONTINUED, events=events) == {0: (1, 1), 15: (1, 1), 60: (1, 1)}


def test_a_pause_that_was_stopped_counts_as_stopped() -> None:
    events = """
        | kind             | occurred_at      |
        | infusion_paused  | 2026-10-05 08:30 |
        | infusion_stopped | 2026-10-05 08:35 |
        """
    assert variants(infusions=ONE, segments=CONTINUED, events=events)[0] == (2, 2)


def test_a_stop_and_a_start_without_gap_are_a_change_of_rate_under_zero_too() -> None:
    """Ruling 24: at most 2 s."""
    segments = """
        | infusion_id | started_at          | ended_at            |
        | a           | 2026-10-05 08:00:00 | 2026-10-05 08:30:00 |
        | a           | 2026-10-05 08:30:02 | 2026-10-05 09:00:00 |
        """
    events = "| kind | occurred_at |\n| infusion_stopped | 2026-10-05 08:30 |"
    assert variants(infusions=ONE, segments=segments, events=events)[0] == (1, 1)


def test_a_piece_under_thirty_seconds_is_a_false_start_under_zero() -> None:
    """Ruling 23 on the pieces."""
    segments = """
        | infusion_id | started_at          | ended_at            |
        | a           | 2026-10-05 08:00:00 | 2026-10-05 08:00:20 |
        | a           | 2026-10-05 08:10:00 | 2026-10-05 09:00:00 |
        """
    events = "| kind | occurred_at |\n| infusion_stopped | 2026-10-05 08:00:20 |"
    assert variants(infusions=ONE, segments=segments, events=events)[0] == (1, 1)


def test_protection_goes_with_the_infusion_of_each_piece() -> None:
    infusions = """
        | infusion_id | started_at       | ended_at         | library_version |
        | a           | 2026-09-30 08:00 | 2026-10-05 09:00 | 7               |
        """
    segments = """
        | infusion_id | started_at       | ended_at         |
        | a           | 2026-09-30 08:00 | 2026-10-05 08:30 |
        | a           | 2026-10-05 08:40 | 2026-10-05 09:00 |
        """
    events = "| kind | occurred_at |\n| infusion_stopped | 2026-10-05 08:30 |"
    libraries = "| entry | hard_high |\n| morphine | 10 |"
    found = variants(
        "protected_share", infusions=infusions, segments=segments, events=events, libraries=libraries
    )
    assert found == {0: (1, 1)}


def test_each_window_stands_once_where_the_sites_own_is_one_of_them() -> None:
    own = site(thresholds={"continue_after_stop_s": 3600})
    con = store(infusions=ONE)
    prepare(con, own, [Month(2026, 10)], ["starts_variants"])
    found = [r for r in starts_variants(con, own).to_pylist() if r["measure"] == "library_use_starts"]
    assert [(r["window_min"], r["denominator"]) for r in found] == [(0, 1), (60, 1)]


def drawn_around_months(random: Random) -> dict[str, list[dict[str, Any]]]:
    """Draw infusions one after another, and some that overlap, while two months end."""
    infusions, segments, events = [], [], []
    for channel in "ABCDEFGH":
        at = datetime(2026, 10, 31, 18)
        for place in range(24):
            if place == 12:
                at = datetime(2026, 11, 30, 18)
            at += timedelta(minutes=random.choice((0, 5, 40, 60, 61)))
            ends = at + timedelta(minutes=random.choice((0, 20, 90)))
            shared = {
                "infusion_id": f"{channel}{place:02}", "started_at": f"{at}", "ended_at": f"{ends}",
                "channel": channel, "care_area": random.choice(("icu",) * 5 + ("ward",)),
                "library_use": random.choice(("limited",) * 5 + ("bypassed",)),
            }  # fmt: skip
            infusions.append({
                **shared, "end_kind": random.choice(("stopped", "stopped", "completed", "powered_off")),
                "false_start": random.choice(("false", "false", "true")),
            })  # fmt: skip
            segments.append(shared)
            if ends > at + timedelta(minutes=10) and random.random() < 0.4:
                # a stop inside, after which it went on
                middle = at + (ends - at) / 2
                stopped = middle - timedelta(minutes=6)
                segments[-1] = {**shared, "ended_at": f"{stopped}"}
                segments.append({**shared, "started_at": f"{middle}"})
                events.append({"kind": "infusion_stopped", "channel": channel, "occurred_at": f"{stopped}"})
            if random.random() < 0.2:
                cleared = ends + timedelta(minutes=3)
                events.append({"kind": "totals_cleared", "channel": channel, "occurred_at": f"{cleared}"})
            # now and then the next one begins before this one ends
            at = ends if random.random() < 0.8 else at + (ends - at) / 3
    return {"infusions": infusions, "segments": segments, "events": events}


@pytest.mark.parametrize("seed", range(4))
def test_a_month_asked_alone_has_what_it_has_among_others(seed: int) -> None:
    """What a chain of starts of one month is does not hang on which months are asked for."""
    con = store(**drawn_around_months(Random(seed)))
    known = [Month(2026, 10), Month(2026, 11), Month(2026, 12)]
    told = "select * from starts_by_window where month = ? order by all"
    prepare(con, SITE, known, ["starts_by_window"])
    together = {month: con.execute(told, [str(month)]).fetchall() for month in known}
    assert all(together.values())
    for month in known:
        prepare(con, SITE, known, ["starts_by_window"], windows=[month])
        assert con.execute(told, [str(month)]).fetchall() == together[month], month
        assert con.execute("select distinct month from starts_by_window").fetchall() == [(str(month),)]
