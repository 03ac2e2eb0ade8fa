"""To which channel, care area, entry and infusion an attempt belongs."""

from __future__ import annotations

import pytest
from tests.spec.drawn_attempts import BOTH_ENGINES, read

pytestmark = BOTH_ENGINES


def test_ruling_37_a_pump_level_alert_goes_to_the_channel_that_confirms_next(engine: str) -> None:
    """The alert names no channel; B starts within 10 min, so it is B's, and the id carries the channel."""
    read(
        engine,
        """
    | at       | kind             | channel | library_use | entry   | rate_ml_h | limit                       | tried |
    | 09:00:00 | infusion_started | A       | limited     | saline  | 10        |                             |       |
    | 10:00:00 | limit_alerted    |         |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:00:30 | infusion_started | B       | limited     | heparin | 18        |                             |       |
    """,
    ).attempts("""
    | attempt_id | channel | infusion_id | entry   | outcome       |
    | e2:B       | B       | e3          | heparin | within_limits |
    """)


def test_ruling_37_a_pump_level_alert_goes_to_the_channel_of_the_next_alert(engine: str) -> None:
    """The next thing that a channel logs is an alert of A: both are one attempt of A, whose id is the first one's."""
    read(
        engine,
        """
    | at       | kind             | channel | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted    |         |             |         |           | soft high weight 150 kg     | 160   |
    | 10:00:30 | limit_alerted    | A       |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:01:00 | infusion_started | B       | limited     | saline  | 18        |                             |       |
    | 10:01:30 | attempt_cancelled | A      |             |         |           |                             |       |
    """,
    ).attempts("""
    | attempt_id | channel | alerts | outcome   |
    | e1:A       | A       | 2      | cancelled |
    """)


def test_ruling_37_a_pump_level_alert_that_no_channel_follows_has_no_channel(engine: str) -> None:
    """11 min until the next confirmed programme: the attempt stands alone, under the alert's own id."""
    read(
        engine,
        """
    | at       | kind             | channel | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted    |         |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:11:00 | infusion_started | A       | limited     | heparin | 18        |                             |       |
    """,
    ).attempts("""
    | attempt_id | channel | infusion_id | outcome |
    | e1         |         |             | unknown |
    """)


def test_a_pump_that_names_no_channel_has_one(engine: str) -> None:
    """Everything is on the one channel, and ids stay plain."""
    found = read(
        engine,
        """
    | at       | kind             | channel | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted    |         |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:00:30 | infusion_started |         | limited     | heparin | 40        |                             |       |
    """,
    )
    found.attempts("""
    | attempt_id | channel | infusion_id | outcome    |
    | e1         |         | e2          | overridden |
    """)
    found.programmings("""
    | programming_id | infusion_id | phase | attempt_id |
    | e2             | e2          | start | e1         |
    """)


def test_a_pump_level_cancel_ends_the_attempts_of_every_channel(engine: str) -> None:
    """Pump-level rows apply to every channel; B, whose attempt is over, is not touched."""
    read(
        engine,
        """
    | at       | kind              | channel | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted     | A       |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:00:10 | limit_alerted     | B       |             | heparin |           | soft high flow_rate 20 mL/h | 50    |
    | 10:00:20 | infusion_started  | B       | limited     | heparin | 50        |                             |       |
    | 10:00:30 | attempt_cancelled |         |             |         |           |                             |       |
    """,
    ).attempts("""
    | attempt_id | channel | decided_at | outcome    |
    | e1         | A       | 10:00:30   | cancelled  |
    | e2         | B       | 10:00:20   | overridden |
    """)


def test_ruling_38_the_care_area_is_that_at_the_first_alert_and_the_entry_the_last_named(engine: str) -> None:
    """The area changes inside the attempt and the entry is named late: area of the alert, entry of the start."""
    read(
        engine,
        """
    | at       | kind               | library_use | care_area | entry   | rate_ml_h | limit                       | tried |
    | 09:59:00 | care_area_selected |             | ward      |         |           |                             |       |
    | 10:00:00 | limit_alerted      |             |           |         |           | soft high weight 150 kg     | 160   |
    | 10:01:00 | care_area_selected |             | icu       |         |           |                             |       |
    | 10:02:00 | limit_alerted      |             |           | saline  |           | soft high flow_rate 20 mL/h | 40    |
    | 10:03:00 | attempt_cancelled  |             |           | heparin |           |                             |       |
    """,
    ).attempts("""
    | attempt_id | care_area | entry   | outcome   |
    | e2         | ward      | heparin | cancelled |
    """)


def test_ruling_13_power_off_leaves_no_care_area_in_force(engine: str) -> None:
    """Off and on again: nothing selected is a group of its own, not the area of before."""
    read(
        engine,
        """
    | at       | kind               | care_area | entry   | limit                       | tried |
    | 09:00:00 | care_area_selected | ward      |         |                             |       |
    | 09:30:00 | powered_off        |           |         |                             |       |
    | 09:40:00 | powered_on         |           |         |                             |       |
    | 10:00:00 | limit_alerted      |           | heparin | soft high flow_rate 20 mL/h | 40    |
    """,
    ).attempts("""
    | attempt_id | care_area | entry   |
    | e4         |           | heparin |
    """)


def test_ruling_38_the_infusion_that_was_changed_and_the_one_that_was_started(engine: str) -> None:
    """A change belongs to the running infusion; another entry begins one of its own."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry    | rate_ml_h | limit                       | tried |
    | 10:00:00 | infusion_started | limited     | heparin  | 10        |                             |       |
    | 10:30:00 | limit_alerted    |             | heparin  |           | soft high flow_rate 20 mL/h | 40    |
    | 10:30:10 | rate_changed     |             |          | 18        |                             |       |
    | 11:00:00 | limit_alerted    |             | morphine |           | soft high flow_rate 5 mL/h  | 9     |
    | 11:00:10 | rate_changed     |             | morphine | 9         |                             |       |
    """,
    ).attempts("""
    | attempt_id | infusion_id | entry    | outcome       |
    | e2         | e1          | heparin  | within_limits |
    | e4         | e5          | morphine | overridden    |
    """)


@pytest.mark.parametrize(("state", "phase"), [("infusion_started", "change"), ("powered_on", "start")])
def test_ruling_38_an_attempt_with_no_programme_is_its_own_programming(
    engine: str, state: str, phase: str
) -> None:
    """It stands at the first alert: a change if the channel ran, else a start."""
    read(engine, f"""
    | at       | kind              | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | {state}           | no_limit_entry |      |           |                             |       |
    | 10:30:00 | limit_alerted     |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:30:20 | limit_alerted     |             | heparin |           | soft high flow_rate 20 mL/h | 30    |
    | 10:30:40 | attempt_cancelled |             |         |           |                             |       |
    """).programmings(("""
    | programming_id | at    | phase  | entry | value | unit | attempt_id |
    | e1             | 10:00 | start  |       |       |      |            |
    """ if state == "infusion_started" else """
    | programming_id | at    | phase  | entry | value | unit | attempt_id |
    """).rstrip() + f"""
    | e2             | 10:30 | {phase} | heparin | 40   | mL/h | e2         |
    """)  # fmt: skip


def test_ruling_38_a_paused_channel_does_not_run(engine: str) -> None:
    """Warned and cancelled while paused: nothing ran at that moment, so it is a cancelled start."""
    found = read(
        engine,
        """
    | at       | kind              | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | infusion_started  | limited     | heparin | 10        |                             |       |
    | 10:20:00 | infusion_paused   |             |         |           |                             |       |
    | 10:30:00 | limit_alerted     |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:30:40 | attempt_cancelled |             |         |           |                             |       |
    | 10:50:00 | infusion_stopped  |             |         |           |                             |       |
    """,
    )
    found.attempts("""
    | attempt_id | infusion_id | outcome   |
    | e3         |             | cancelled |
    """)
    found.programmings("""
    | programming_id | phase | attempt_id |
    | e1             | start |            |
    | e3             | start | e3         |
    """)


def test_two_channels_of_one_pump_have_attempts_of_their_own(engine: str) -> None:
    """B's start ends nothing on A."""
    read(
        engine,
        """
    | at       | kind             | channel | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted    | A       |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:00:10 | infusion_started | B       | limited     | saline  | 18        |                             |       |
    | 10:00:40 | infusion_started | A       | limited     | heparin | 16        |                             |       |
    """,
    ).attempts("""
    | attempt_id | channel | infusion_id | outcome       |
    | e1         | A       | e3          | within_limits |
    """)


def test_a_pump_level_override_answers_the_attempt_that_is_open(engine: str) -> None:
    """A has an open attempt; the override names no channel and is A's, though B is the next to start."""
    read(
        engine,
        """
    | at       | kind             | channel | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted    | A       |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:00:10 | limit_overridden |         |             |         |           |                             |       |
    | 10:00:20 | infusion_started | B       | limited     | saline  | 10        |                             |       |
    | 10:00:30 | infusion_started | A       | limited     | heparin | 40        |                             |       |
    """,
    ).attempts("""
    | attempt_id | channel | alerts | decided_at | outcome    |
    | e1         | A       | 1      | 10:00:10   | overridden |
    """)


def test_an_attempt_without_a_channel_takes_the_care_area_that_the_pump_logged_last(engine: str) -> None:
    """Channel A's start said where the pump stands."""
    read(
        engine,
        """
    | at       | kind             | channel | library_use | care_area | entry   | rate_ml_h | limit                       | tried |
    | 09:00:00 | infusion_started | A       | limited     | ward      | saline  | 10        |                             |       |
    | 10:00:00 | limit_alerted    |         |             |           | heparin |           | soft high flow_rate 20 mL/h | 40    |
    """,
    ).attempts("""
    | attempt_id | channel | care_area | outcome |
    | e2         |         | ward      | unknown |
    """)
