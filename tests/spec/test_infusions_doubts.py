"""Drawn tables: alarms that stop delivery, alarms that may, and what makes an infusion uncertain."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.spec.drawn import Rebuilt

Rebuild = Callable[..., Rebuilt]


def test_ruling_05_an_undeclared_alarm_leaves_the_state_unknown(rebuild: Rebuild) -> None:
    """Silencing, clearing, other alarms, keys and pump-level events end the doubt no more than time does."""
    out = rebuild("""
        at    | channel | kind             | alarm_kind | rate_ml_h
        08:00 | A       | infusion_started |            | 60
        08:30 | A       | alarm_raised     | occlusion  |
        08:31 | A       | alarm_silenced   | occlusion  |
        08:32 | A       | alarm_cleared    | occlusion  |
        08:33 | A       | alarm_raised     | near_end   |
        08:34 | A       | key_pressed      |            |
        08:35 |         | clock_set        |            |
        08:40 | B       | infusion_started |            | 5
        09:00 | A       | rate_changed     |            | 120
        10:00 | A       | infusion_stopped |            |
        10:00 | B       | infusion_stopped |            |
    """)
    # 30 min x 60 = 30 mL, 30 min unknown, 1 h x 120 = 120 mL.
    out.segments("""
        channel | started_at | ended_at | state   | rate_ml_h | volume_ml
        A       | 08:00      | 08:30    | running | 60        | 30
        A       | 08:30      | 09:00    | unknown |           |
        A       | 09:00      | 10:00    | running | 120       | 120
        B       | 08:40      | 10:00    | running | 5         | 20/3
    """)
    out.infusions("""
        infusion_id | channel | end_kind | running_hours | volume_ml | user_rate_changes | uncertain
        e1          | A       | stopped  | 1.5           | 150       | 0                 | yes
        e8          | B       | stopped  | 4/3           | 20/3      | 0                 | no
    """)


def test_ruling_05_power_ends_the_doubt(rebuild: Rebuild) -> None:
    """A switch-off ends an infusion whose state was unknown."""
    out = rebuild("""
        at    | channel | kind             | alarm_kind | rate_ml_h
        08:00 | A       | infusion_started |            | 60
        08:30 | A       | alarm_raised     | fault      |
        09:00 |         | powered_off      |            |
    """)
    out.segments("""
        started_at | ended_at | state
        08:00      | 08:30    | running
        08:30      | 09:00    | unknown
    """)
    out.infusions("""
        infusion_id | ended_at | end_kind    | running_hours | uncertain
        e1          | 09:00    | powered_off | 0.5           | yes
    """)


def test_ruling_05_a_stop_shows_the_state_and_the_stretch_stays_unknown(rebuild: Rebuild) -> None:
    """What the stop ends is not known to have run since the alarm."""
    out = rebuild("""
        at    | kind             | alarm_kind | rate_ml_h
        08:00 | infusion_started |            | 60
        08:30 | alarm_raised     | occlusion  |
        09:00 | infusion_stopped |            |
    """)
    out.infusions("""
        infusion_id | ended_at | end_kind | running_hours | volume_ml | uncertain
        e1          | 09:00    | stopped  | 0.5           | 30        | yes
    """)


def test_ruling_18_a_stop_that_the_log_calls_an_alarms_is_the_alarms(rebuild: Rebuild) -> None:
    """Alarm and stop in one second: the alarm stopped it, until it goes on (60 min, not 15) or someone stops it."""
    out = rebuild("""
        at    | kind             | channel | alarm_kind | stops_delivery | rate_ml_h
        08:00 | infusion_started | A       |            |                | 60
        08:30 | alarm_raised     | A       | occlusion  |                |
        08:30 | infusion_stopped | A       |            | yes            |
        08:50 | infusion_started | A       |            |                | 60
        09:20 | infusion_stopped | A       |            | yes            |
        09:30 | infusion_stopped | A       |            |                |
        12:00 | infusion_stopped | B       |            | yes            |
        12:10 | infusion_started | B       |            |                | 30
        12:40 | infusion_stopped | B       |            |                |
    """)
    out.segments("""
        channel | started_at | ended_at | state            | volume_ml
        A       | 08:00      | 08:30    | running          | 30
        A       | 08:30      | 08:50    | stopped_by_alarm | 0
        A       | 08:50      | 09:20    | running          | 30
        A       | 09:20      | 09:30    | stopped_by_alarm | 0
        B       | 12:00      | 12:10    | stopped_by_alarm | 0
        B       | 12:10      | 12:40    | running          | 15
    """)
    out.infusions("""
        infusion_id | start_kind | ended_at | end_kind | user_rate_changes
        e1          | start      | 09:30    | stopped  | 0
        e7          | missing    | 12:40    | stopped  | 0
    """)


def test_ruling_18_clearing_is_no_resumption(rebuild: Rebuild) -> None:
    """Stopped by an alarm lasts until a start, resumption, rate change or stop."""
    out = rebuild("""
        at    | kind             | alarm_kind | stops_delivery | rate_ml_h
        08:00 | infusion_started |            |                | 60
        08:30 | alarm_raised     | occlusion  | yes            |
        08:32 | alarm_cleared    | occlusion  |                |
        08:35 | key_pressed      |            |                |
        08:40 | infusion_resumed |            |                |
        09:10 | infusion_stopped |            |                |
    """)
    out.segments("""
        started_at | ended_at | state            | volume_ml
        08:00      | 08:30    | running          | 30
        08:30      | 08:40    | stopped_by_alarm | 0
        08:40      | 09:10    | running          | 30
    """)
    out.infusions("""
        infusion_id | end_kind | running_hours | uncertain
        e1          | stopped  | 1             | no
    """)


def test_ruling_18_a_rate_change_ends_a_stop_by_alarm(rebuild: Rebuild) -> None:
    """After a stopping alarm a rate change shows that the channel runs again; it is no user rate change."""
    out = rebuild("""
        at    | kind             | alarm_kind  | stops_delivery | rate_ml_h
        08:00 | infusion_started |             |                | 60
        08:30 | alarm_raised     | air_in_line | yes            |
        08:40 | rate_changed     |             |                | 120
        09:10 | infusion_stopped |             |                |
    """)
    out.segments("""
        started_at | ended_at | state            | rate_ml_h | volume_ml
        08:00      | 08:30    | running          | 60        | 30
        08:30      | 08:40    | stopped_by_alarm | *         | 0
        08:40      | 09:10    | running          | 120       | 60
    """)
    out.infusions("""
        infusion_id | user_rate_changes
        e1          | 0
    """)


@pytest.mark.parametrize(
    ("alarm", "states"),
    [
        ("low_battery |     ", ["running"]),
        ("low_battery | yes ", ["running", "stopped_by_alarm"]),
        ("near_end    | no  ", ["running"]),
        ("occlusion   |     ", ["running", "unknown"]),
    ],
)
def test_ruling_18_a_low_battery_stops_nothing(rebuild: Rebuild, alarm: str, states: list[str]) -> None:
    """Unless the log says that it did; a declared harmless alarm stops nothing either."""
    out = rebuild(f"""
        at    | kind             | alarm_kind | stops_delivery | rate_ml_h
        08:00 | infusion_started |            |                | 60
        08:30 | alarm_raised     | {alarm}                     |
        09:00 | infusion_stopped |            |                |
    """)
    assert [s["state"] for s in out.segment_rows] == states


_UNCERTAIN = """
    at    | channel | kind             | time_quality | unmapped | rate_ml_h
    08:00 | A       | infusion_started | {start}      | {first}  | 60
    08:30 | {where} | {kind}           |              | {mid}    |
    09:00 | A       | infusion_stopped | {end}        |          |
    10:00 | A       | key_pressed      | ambiguous    | kind     |
"""


@pytest.mark.parametrize(
    ("change", "uncertain"),
    [
        ({}, False),
        ({"start": "ambiguous"}, True),
        ({"end": "ambiguous"}, True),
        ({"start": "corrected"}, False),
        ({"first": "entry"}, True),
        ({"mid": "kind", "kind": "other"}, True),
        ({"mid": "care_area", "where": "", "kind": "care_area_selected"}, True),
        ({"mid": "kind", "where": "B", "kind": "other"}, False),
    ],
)
def test_ruling_21_what_makes_an_infusion_uncertain(
    rebuild: Rebuild, change: dict[str, str], uncertain: bool
) -> None:
    """An ambiguous start or end, or an unmapped row that it spans, on its channel or on the whole pump."""
    cells = {
        "start": "exact",
        "end": "exact",
        "first": "",
        "mid": "",
        "where": "A",
        "kind": "key_pressed",
        **change,
    }
    out = rebuild(_UNCERTAIN.format(**cells).replace("|              |", "| exact |"))
    assert [i["uncertain"] for i in out.infusion_rows] == [uncertain]
