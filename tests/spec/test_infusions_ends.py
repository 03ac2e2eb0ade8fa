"""Drawn tables: how long an infusion runs and what ends it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.spec.drawn import Rebuilt

Rebuild = Callable[..., Rebuilt]


def test_ruling_14_the_volume_left_bounds_an_open_infusion(rebuild: Rebuild) -> None:
    """Hours never pass the volume left over the rate; the rest is unknown."""
    out = rebuild("""
        at    | channel | kind             | rate_ml_h | volume_to_infuse_ml
        08:00 | A       | infusion_started | 60        | 90
        09:00 | A       | rate_changed     | 30        |
        12:00 |         | key_pressed      |           |
    """)
    # 60 of 90 mL ran by 09:00; the 30 mL left last 1 h at 30 mL/h, until 10:00.
    out.segments("""
        started_at | ended_at | state   | rate_ml_h | volume_ml
        08:00      | 09:00    | running | 60        | 60
        09:00      | 10:00    | running | 30        | 30
        10:00      | 12:00    | unknown |           |
    """)
    out.infusions("""
        infusion_id | ended_at | end_kind | running_hours | volume_ml | uncertain
        e1          |          | open     | 2             | 90        | yes
    """)


def test_ruling_14_a_volume_entry_counts_anew(rebuild: Rebuild) -> None:
    """The bound counts from the last volume entry."""
    out = rebuild("""
        at    | channel | kind              | rate_ml_h | volume_to_infuse_ml
        08:00 | A       | infusion_started  | 60        | 90
        09:00 | A       | programme_changed |           | 120
        12:00 |         | key_pressed       |           |
    """)
    # 1 h, then 120 mL at 60 mL/h = 2 h, until 11:00.
    out.infusions("""
        infusion_id | running_hours | volume_ml
        e1          | 3             | 180
    """)


def test_ruling_14_a_pause_uses_nothing_up(rebuild: Rebuild) -> None:
    """What ran before the pause is taken off; the pause is not."""
    out = rebuild("""
        at    | channel | kind             | rate_ml_h | volume_to_infuse_ml
        08:00 | A       | infusion_started | 60        | 90
        09:00 | A       | infusion_paused  |           |
        09:30 | A       | infusion_resumed |           |
        12:00 |         | key_pressed      |           |
    """)
    # 30 of 90 mL left at 09:30: until 10:00.
    out.segments("""
        started_at | ended_at | state   | volume_ml
        08:00      | 09:00    | running | 60
        09:00      | 09:30    | paused  | 0
        09:30      | 10:00    | running | 30
        10:00      | 12:00    | unknown |
    """)


def test_ruling_14_a_missing_stop_is_bounded_alike(rebuild: Rebuild) -> None:
    """Even an event that proves running later does not carry hours past the volume."""
    out = rebuild("""
        at    | kind             | entry   | rate_ml_h | volume_to_infuse_ml | volume_delivered_ml | volume_scope
        08:00 | infusion_started | heparin | 60        | 30                  |                     |
        09:00 | volume_reported  |         |           |                     | 30                  | infusion
        10:00 | infusion_started | insulin | 60        |                     |                     |
        11:00 | infusion_stopped |         |           |                     |                     |
    """)
    # 30 mL at 60 mL/h: until 08:30, though the report at 09:00 grew.
    out.infusions("""
        infusion_id | end_kind     | running_hours | volume_ml
        e1          | stop_missing | 0.5           | 30
        e3          | stopped      | 1             | 60
    """)


@pytest.mark.parametrize(
    ("kind", "end_kind"),
    [("infusion_stopped", "stopped"), ("infusion_completed", "completed"), ("powered_off", "powered_off")],
)
def test_ruling_14_a_logged_end_is_not_bounded(rebuild: Rebuild, kind: str, end_kind: str) -> None:
    """A stop, completion or power-off that the log has is believed over the arithmetic."""
    out = rebuild(f"""
        at    | kind             | rate_ml_h | volume_to_infuse_ml
        08:00 | infusion_started | 60        | 30
        09:00 | {kind}           |           |
    """)
    out.infusions(f"""
        infusion_id | end_kind   | running_hours | volume_ml | uncertain
        e1          | {end_kind} | 1             | 60        | no
    """)


@pytest.mark.parametrize(
    ("row", "ended_at", "end_kind"),
    [
        ("09:10 | infusion_stopped |", "09:10", "stopped"),
        ("09:10 | powered_off      |", "09:10", "powered_off"),
        ("09:10 | patient_changed  |", "09:10", "patient_change"),
        ("11:00 | infusion_stopped |", "09:30", "stopped"),
        ("11:00 | powered_off      |", "09:30", "powered_off"),
        ("11:00 | patient_changed  |", "09:30", "patient_change"),
        ("11:00 | infusion_started |", "09:30", "superseded"),
        ("11:00 | key_pressed      |", "09:30", "stopped"),
        ("09:20 | key_pressed      |", "", "open"),
    ],
)
def test_ruling_17_a_pause_that_is_never_resumed(
    rebuild: Rebuild, row: str, ended_at: str, end_kind: str
) -> None:
    """It ends when the pause ends, and never later than the window: the rest is no part of it."""
    out = rebuild(f"""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        08:30 | infusion_paused  |
        {row}
    """)
    first = out.infusion_rows[0]
    assert first["infusion_id"] == "e1"
    assert (first["end_kind"], first["running_hours"]) == (end_kind, 0.5)
    shown = "" if first["ended_at"] is None else first["ended_at"].strftime("%H:%M")
    assert shown == ended_at
    paused = [s for s in out.segment_rows if s["infusion_id"] == "e1" and s["state"] == "paused"]
    last = ended_at or "09:20"
    assert [(s["started_at"].strftime("%H:%M"), s["ended_at"].strftime("%H:%M")) for s in paused] == [
        ("08:30", last)
    ]


def test_ruling_17_keep_open_ends_with_its_state(rebuild: Rebuild) -> None:
    """A keep-open stretch has no window: it lasts until something ends it."""
    out = rebuild("""
        at    | kind               | entry   | rate_ml_h
        08:00 | infusion_started   | heparin | 60
        09:00 | infusion_completed |         |
        09:00 | kvo_started        |         | 3
        14:00 | infusion_started   | insulin | 10
        15:00 | infusion_stopped   |         |
    """)
    # Keep-open 5 h x 3 = 15 mL.
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind    | end_kind   | ended_at | running_hours | volume_keep_open_ml
        e1          |                       | start         | superseded | 14:00    | 1             | 15
        e4          | e1                    | entry_changed | stopped    | 15:00    | 1             | 0
    """)


def test_ruling_25_power_lost_is_a_power_off(rebuild: Rebuild) -> None:
    """A loss of power ends what runs."""
    out = rebuild("""
        at    | channel | kind             | rate_ml_h
        08:00 | A       | infusion_started | 60
        09:00 |         | power_lost       |
    """)
    out.infusions("""
        infusion_id | ended_at | end_kind    | running_hours | uncertain
        e1          | 09:00    | powered_off | 1             | no
    """)


def test_ruling_25_a_power_on_while_on_hides_a_power_off(rebuild: Rebuild) -> None:
    """The stop is missing: hours to the last event that proves running, unknown to the power-on."""
    out = rebuild("""
        at    | channel | kind             | rate_ml_h
        08:00 | A       | infusion_started | 60
        08:30 | A       | rate_changed     | 120
        08:45 |         | key_pressed      |
        10:00 |         | powered_on       |
        10:05 | A       | infusion_started | 120
        11:05 | A       | infusion_stopped |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state   | volume_ml
        e1          | 08:00      | 08:30    | running | 30
        e1          | 08:30      | 10:00    | unknown |
        e5          | 10:05      | 11:05    | running | 120
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | end_kind     | ended_at | running_hours | uncertain
        e1          |                       | start      | stop_missing | 10:00    | 0.5           | yes
        e5          |                       | start      | stopped      | 11:05    | 1             | no
    """)


def test_ruling_29_open_at_the_end_of_the_log(rebuild: Rebuild) -> None:
    """An infusion without an end runs to its pump's last event; its end stays empty."""
    out = rebuild("""
        at    | pump_id | channel | kind             | rate_ml_h
        08:00 | P1      | A       | infusion_started | 60
        09:00 | P1      | B       | key_pressed      |
        23:00 | P2      | A       | key_pressed      |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state   | volume_ml
        e1          | 08:00      | 09:00    | running | 60
    """)
    out.infusions("""
        infusion_id | ended_at | end_kind | running_hours | volume_ml | uncertain
        e1          |          | open     | 1             | 60        | no
    """)


def test_ruling_42_the_kinds_of_end(rebuild: Rebuild) -> None:
    """Each end is named after what ended the infusion."""
    out = rebuild("""
        at    | channel | kind               | sequence | entry | rate_ml_h
        01:00 | A       | infusion_started   | 1        | a     | 60
        02:00 | A       | infusion_stopped   | 2        |       |
        03:00 | A       | infusion_started   | 3        | b     | 60
        04:00 | A       | infusion_completed | 4        |       |
        05:00 | A       | infusion_started   | 5        | c     | 60
        06:00 | A       | infusion_started   | 6        | d     | 60
        07:00 |         | powered_off        | 7        |       |
        08:00 | A       | infusion_started   | 8        | e     | 60
        09:00 | A       | infusion_started   | 12       | f     | 60
        10:00 |         | patient_changed    | 13       |       |
        11:00 |         | key_pressed        | 14       |       |
    """)
    out.infusions("""
        infusion_id | start_kind     | end_kind       | ended_at | running_hours
        e1          | start          | stopped        | 02:00    | 1
        e3          | start          | completed      | 04:00    | 1
        e5          | start          | superseded     | 06:00    | 1
        e6          | entry_changed  | powered_off    | 07:00    | 1
        e8          | start          | stop_missing   | 09:00    | 0
        e9          | start          | patient_change | 10:00    | 1
        e10:A       | patient_change | open           |          | 1
    """)


def test_states_between_the_doses_of_an_intermittent_programme(rebuild: Rebuild) -> None:
    """Time between doses is armed, not running, and ends neither by a window nor by itself."""
    out = rebuild("""
        at    | kind               | rate_ml_h
        08:00 | infusion_started   | 60
        08:30 | dose_cycle_ended   |
        12:00 | dose_cycle_started |
        12:30 | dose_cycle_ended   |
        13:00 | infusion_stopped   |
    """)
    out.segments("""
        started_at | ended_at | state         | volume_ml
        08:00      | 08:30    | running       | 30
        08:30      | 12:00    | between_doses | 0
        12:00      | 12:30    | running       | 30
        12:30      | 13:00    | between_doses | 0
    """)
    out.infusions("""
        infusion_id | end_kind | running_hours | volume_ml | user_rate_changes
        e1          | stopped  | 1             | 60        | 0
    """)


def test_states_standby_has_hours_of_its_own(rebuild: Rebuild) -> None:
    """Standby is its own state until the channel leaves it."""
    out = rebuild("""
        at    | channel | kind             | rate_ml_h
        08:00 | A       | infusion_started | 60
        08:30 | A       | standby_entered  |
        08:50 | A       | infusion_resumed |
        09:20 | A       | infusion_stopped |
    """)
    out.segments("""
        started_at | ended_at | state
        08:00      | 08:30    | running
        08:30      | 08:50    | standby
        08:50      | 09:20    | running
    """)


def test_use_context_follows_the_event_then_the_area(rebuild: Rebuild) -> None:
    """What the start says goes before what the care area is declared to be; else it is unknown."""
    out = rebuild(
        """
        at    | kind             | care_area | use_context | rate_ml_h
        08:00 | infusion_started | ICU       | training    | 60
        08:30 | infusion_stopped |           |             |
        09:00 | infusion_started | ICU       |             | 60
        09:30 | infusion_stopped |           |             |
        10:00 | infusion_started | Ward      |             | 60
        10:30 | infusion_stopped |           |             |
        """,
        {"ICU": "clinical"},
    )
    assert [i["use_context"] for i in out.infusion_rows] == ["training", "clinical", "unknown"]
