"""Drawn tables: in which order events are read, and what a hole in the pump's numbers means.

Rulings 7 (conflict inside one ingest) and 11 (the repeated hour) decide what becomes an event and at which
instant; their tables belong to the events and stand with those tests.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.spec.drawn import Rebuilt

Rebuild = Callable[..., Rebuilt]


def test_order_ties_at_one_instant_put_the_stop_before_the_start(rebuild: Rebuild) -> None:
    """Without numbers and file ranks, what ends comes before what begins at the same instant."""
    out = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        09:00 | infusion_started | 90
        09:00 | infusion_stopped |
        10:00 | infusion_stopped |
    """)
    # 1 h x 60 mL/h + 1 h x 90 mL/h = 150 mL; the start 0 s after a stop is a rate change.
    out.segments("""
        started_at | ended_at | state   | rate_ml_h | volume_ml
        08:00      | 09:00    | running | 60        | 60
        09:00      | 10:00    | running | 90        | 90
    """)
    out.infusions("""
        infusion_id | ended_at | end_kind | volume_ml | user_rate_changes
        e1          | 10:00    | stopped  | 150       | 1
    """)


def test_order_file_rank_comes_before_the_order_of_kinds(rebuild: Rebuild) -> None:
    """Where the mapping keeps the file's order, the rank decides inside one second."""
    out = rebuild("""
        at    | channel | kind             | rate_ml_h | file_rank
        09:00 | A       | infusion_stopped |           | 2
        09:00 | A       | infusion_started | 60        | 1
        10:00 |         | key_pressed      |           |
    """)
    # Read as start, stop: it ran 0 s. (Read as stop, start it would be open, with 1 h.)
    out.infusions("""
        infusion_id | started_at | ended_at | start_kind | end_kind | running_hours | false_start
        e2          | 09:00      | 09:00    | start      | stopped  | 0             | yes
    """)


def test_order_a_clock_set_back_reorders_nothing(rebuild: Rebuild) -> None:
    """Inside an unbroken run the numbers decide, though a later event shows an earlier time."""
    out = rebuild("""
        at    | channel | kind             | sequence | rate_ml_h
        08:00 | A       | infusion_started | 1        | 60
        08:30 |         | clock_set        | 2        |
        07:45 | A       | rate_changed     | 3        | 120
        08:15 | A       | infusion_stopped | 4        |
    """)
    # 08:00-08:30 at 60 = 30 mL; the step back to 07:45 adds nothing; 07:45-08:15 at 120 = 60 mL.
    out.infusions("""
        infusion_id | start_kind | end_kind | running_hours | volume_ml | user_rate_changes | uncertain
        e1          | start      | stopped  | 1             | 90        | 1                 | no
    """)


def test_order_without_reliable_numbers_time_decides(rebuild: Rebuild) -> None:
    """Numbers that the source does not declare reliable order nothing and show no gap."""
    out = rebuild("""
        at    | kind             | sequence | sequence_reliable | rate_ml_h
        08:00 | infusion_started | 9        | no                | 60
        08:30 | rate_changed     | 2        | no                | 120
        09:00 | infusion_stopped | 7        | no                |
    """)
    # 0.5 h x 60 + 0.5 h x 120 = 90 mL.
    out.infusions("""
        infusion_id | end_kind | running_hours | volume_ml | uncertain
        e1          | stopped  | 1             | 90        | no
    """)


def test_order_pump_level_events_apply_to_every_channel(rebuild: Rebuild) -> None:
    """A switch-off of the pump ends what runs on each of its channels, and of no other pump."""
    out = rebuild("""
        at    | pump_id | channel | kind             | rate_ml_h
        08:00 | P1      | A       | infusion_started | 60
        08:00 | P1      | B       | infusion_started | 30
        08:00 | P2      | A       | infusion_started | 10
        09:00 | P1      |         | powered_off      |
        10:00 | P2      | A       | infusion_stopped |
    """)
    out.infusions("""
        infusion_id | pump_id | channel | ended_at | end_kind    | volume_ml
        e1          | P1      | A       | 09:00    | powered_off | 60
        e2          | P1      | B       | 09:00    | powered_off | 30
        e3          | P2      | A       | 10:00    | stopped     | 20
    """)


def test_ruling_22_the_next_event_of_the_channel_bridges_a_gap(rebuild: Rebuild) -> None:
    """Missing numbers are bridged when the next event is of this channel, proves running and is no start."""
    out = rebuild("""
        at    | kind             | sequence | rate_ml_h
        08:00 | infusion_started | 1        | 60
        09:00 | rate_changed     | 5        | 120
        10:00 | infusion_stopped | 9        |
    """)
    # Both gaps are bridged: 1 h x 60 + 1 h x 120 = 180 mL, and nothing is in doubt.
    out.segments("""
        started_at | ended_at | state   | rate_ml_h | volume_ml
        08:00      | 09:00    | running | 60        | 60
        09:00      | 10:00    | running | 120       | 120
    """)
    out.infusions("""
        infusion_id | end_kind | running_hours | volume_ml | uncertain
        e1          | stopped  | 2             | 180       | no
    """)


@pytest.mark.parametrize("kind", ["key_pressed", "alarm_silenced", "care_area_selected"])
def test_ruling_22_an_event_that_proves_nothing_bridges_no_gap(rebuild: Rebuild, kind: str) -> None:
    """Else the state is unknown from the pump's last event before the gap until it shows again."""
    out = rebuild(f"""
        at    | channel | kind             | sequence | rate_ml_h
        08:00 | A       | infusion_started | 1        | 60
        08:20 |         | key_pressed      | 2        |
        09:00 | A       | {kind}           | 5        |
        09:30 | A       | rate_changed     | 6        | 120
        10:00 | A       | infusion_stopped | 7        |
    """)
    # Nothing was lost up to 08:20 (20 min x 60 = 20 mL); unknown to 09:30; 30 min x 120 = 60 mL.
    out.segments("""
        started_at | ended_at | state   | rate_ml_h | volume_ml
        08:00      | 08:20    | running | 60        | 20
        08:20      | 09:30    | unknown |           |
        09:30      | 10:00    | running | 120       | 60
    """)
    out.infusions("""
        infusion_id | end_kind | running_hours | volume_ml | uncertain | user_rate_changes
        e1          | stopped  | 5/6           | 80        | yes       | 0
    """)


def test_ruling_22_an_event_of_another_channel_bridges_no_gap(rebuild: Rebuild) -> None:
    """The other channel's start says nothing about this one."""
    out = rebuild("""
        at    | channel | kind             | sequence | rate_ml_h
        08:00 | A       | infusion_started | 1        | 60
        09:00 | B       | infusion_started | 5        | 30
        09:30 | A       | infusion_stopped | 6        |
        10:00 | B       | infusion_stopped | 7        |
    """)
    # Channel A: the last event before the gap is its start at 08:00, so nothing is proven.
    out.segments("""
        channel | started_at | ended_at | state   | volume_ml
        A       | 08:00      | 09:30    | unknown |
        B       | 09:00      | 10:00    | running | 30
    """)
    out.infusions("""
        infusion_id | channel | end_kind | running_hours | uncertain
        e1          | A       | stopped  | 0             | yes
        e2          | B       | stopped  | 1             | no
    """)


def test_ruling_47_a_counter_reset_is_no_gap(rebuild: Rebuild) -> None:
    """A counter that begins again at a lower number has lost nothing."""
    out = rebuild("""
        at    | kind             | sequence | rate_ml_h
        08:00 | infusion_started | 101      | 60
        09:00 | rate_changed     | 102      | 120
        10:00 | infusion_started | 1        | 30
        11:00 | infusion_stopped | 2        |
    """)
    # The start at 10:00 comes while it runs and unbroken: a change. 60 + 120 + 30 = 210 mL.
    out.infusions("""
        infusion_id | end_kind | running_hours | volume_ml | user_rate_changes | uncertain
        e1          | stopped  | 3             | 210       | 2                 | no
    """)


def test_ruling_47_a_number_that_occurs_twice_shows_a_reset(rebuild: Rebuild) -> None:
    """Runs that share numbers are told apart by the pump's clock and stand in order of their first time."""
    out = rebuild("""
        at    | channel | kind             | sequence | rate_ml_h
        08:00 | A       | infusion_started | 3        | 60
        08:30 | A       | rate_changed     | 4        | 120
        09:00 | A       | infusion_stopped | 5        |
        12:00 |         | powered_on       | 1        |
        12:10 | A       | infusion_started | 2        | 30
        12:40 | A       | rate_changed     | 3        | 60
        13:10 | A       | infusion_stopped | 4        |
    """)
    # First run 3-5: 30 + 60 = 90 mL. Second run 1-4: 15 + 30 = 45 mL.
    out.infusions("""
        infusion_id | started_at | ended_at | end_kind | running_hours | volume_ml | uncertain
        e1          | 08:00      | 09:00    | stopped  | 1             | 90        | no
        e5          | 12:10      | 13:10    | stopped  | 1             | 45        | no
    """)


def test_ruling_47_one_number_at_one_instant_in_two_zones_is_no_reset(rebuild: Rebuild) -> None:
    """A server that logs in UTC tells what the pump logs two hours ahead: nothing began anew."""
    out = rebuild("""
        at    | device_time | channel | kind             | sequence | rate_ml_h | patient_key
        08:00 | 10:00       | A       | infusion_started | 3        | 60        | k1
        09:00 | 11:00       | A       | key_pressed      | 4        |           |
        09:00 | 09:00       | A       | rate_changed     | 4        | 120       |
        10:00 | 12:00       | A       | infusion_stopped | 5        |           |
        14:00 | 16:00       | A       | infusion_started | 6        | 30        | k2
        15:00 | 17:00       | A       | infusion_stopped | 7        |           |
    """)
    out.infusions("""
        infusion_id | started_at | ended_at | end_kind | volume_ml | patient_key | uncertain
        e1          | 08:00      | 10:00    | stopped  | 180       | k1          | no
        e5          | 14:00      | 15:00    | stopped  | 30        | k2          | no
    """)
