"""Awkward logs, each decided by the text of one ruling: what interrupts a bolus, a rate of 0, a second line."""

from __future__ import annotations

from collections.abc import Callable

from tests.spec.drawn import Rebuilt

Rebuild = Callable[..., Rebuilt]


def test_ruling_26_an_alarm_ends_a_bolus_given_in_a_pause(rebuild: Rebuild) -> None:
    """What ends a bolus is what holds after it, not the pause before it."""
    rebuild("""
        at    | kind             | rate_ml_h | alarm_kind | stops_delivery
        08:00 | infusion_started | 60        |            |
        08:10 | infusion_paused  |           |            |
        08:20 | bolus_started    | 120       |            |
        08:30 | alarm_raised     |           | occlusion  | yes
        08:40 | infusion_stopped |           |            |
    """).segments("""
        started_at | ended_at | state            | volume_ml
        08:00      | 08:10    | running          | 10
        08:10      | 08:20    | paused           | 0
        08:20      | 08:30    | bolus            | 20
        08:30      | 08:40    | stopped_by_alarm | 0
    """)


def test_ruling_26_a_door_ends_a_bolus_on_a_stopped_channel(rebuild: Rebuild) -> None:
    """It is paused like any other; only the bolus's own end, or a stop, ends its infusion."""
    rebuilt = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        08:10 | infusion_stopped |
        09:00 | bolus_started    | 120
        09:10 | door_opened      |
        09:20 | infusion_stopped |
    """)
    rebuilt.infusions("""
        infusion_id | start_kind | ended_at | end_kind | running_hours | volume_ml
        e1          | start      | 08:10    | stopped  | 1/6           | 10
        e3          | missing    | 09:20    | stopped  | 1/6           | 20
    """)
    rebuilt.segments("""
        infusion_id | started_at | ended_at | state   | volume_ml
        e1          | 08:00      | 08:10    | running | 10
        e3          | 09:00      | 09:10    | bolus   | 20
        e3          | 09:10      | 09:20    | paused  | 0
    """)


def test_ruling_5_an_undeclared_alarm_in_a_bolus_on_a_stopped_channel(rebuild: Rebuild) -> None:
    """The stretch is unknown, and its infusion goes on until something shows that it ended."""
    rebuild("""
        at    | kind             | rate_ml_h | alarm_kind
        08:00 | infusion_stopped |           |
        09:00 | bolus_started    | 120       |
        09:10 | alarm_raised     |           | occlusion
        09:20 | infusion_stopped |           |
    """).segments("""
        infusion_id | started_at | ended_at | state   | volume_ml
        e2          | 09:00      | 09:10    | bolus   | 20
        e2          | 09:10      | 09:20    | unknown |
    """)


def test_ruling_26_a_bolus_on_a_stopped_channel_ends_with_itself(rebuild: Rebuild) -> None:
    """Nothing ran before it, so nothing runs after it; the next bolus is another infusion."""
    rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_stopped |
        09:00 | bolus_started    | 120
        09:10 | bolus_ended      |
        10:00 | bolus_started    | 120
        10:10 | bolus_ended      |
    """).infusions("""
        infusion_id | start_kind | ended_at | end_kind | running_hours | volume_ml
        e1          | missing    | 08:00    | stopped  | 0             | 0
        e2          | missing    | 09:10    | stopped  | 1/6           | 20
        e4          | missing    | 10:10    | stopped  | 1/6           | 20
    """)


def test_ruling_24_a_start_in_a_bolus_changes_no_running_rate(rebuild: Rebuild) -> None:
    """The bolus has no basal rate, whatever ran on the channel before it."""
    rebuild("""
        at    | sequence | kind             | rate_ml_h
        08:00 | 1        | infusion_started | 120
        08:10 | 2        | infusion_stopped |
        09:00 | 3        | bolus_started    | 300
        09:01 | 4        | infusion_started | 60
        09:30 | 5        | infusion_stopped |
    """).infusions("""
        infusion_id | user_rate_changes | ended_at
        e1          | 0                 | 08:10
        e3          | 0                 | 09:30
    """)


def test_ruling_46_a_change_that_logs_no_rate_leaves_a_rate_of_0(rebuild: Rebuild) -> None:
    """Null is not logged (13), so the channel stays paused, and a power-on finds nothing running (25)."""
    rebuilt = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        08:10 | rate_changed     | 0
        08:20 | rate_changed     |
        08:30 | powered_on       |
    """)
    rebuilt.segments("""
        started_at | ended_at | state   | volume_ml
        08:00      | 08:10    | running | 10
        08:10      | 08:30    | paused  | 0
    """)
    rebuilt.infusions("""
        infusion_id | end_kind    | running_hours
        e1          | powered_off | 1/6
    """)


def test_ruling_46_a_new_patient_at_a_rate_of_0_and_the_rate_after_it(rebuild: Rebuild) -> None:
    """The row that names another patient begins an infusion at a rate of 0; back above 0 resumes that one."""
    rebuild("""
        at    | kind             | rate_ml_h | patient_key
        08:00 | infusion_started | 60        | k1
        08:10 | rate_changed     | 0         | k2
        08:20 | rate_changed     | 60        |
        08:30 | infusion_stopped |           |
    """).infusions("""
        infusion_id | start_kind     | ended_at | running_hours | patient_key
        e1          | start          | 08:10    | 1/6           | k1
        e2          | patient_change | 08:30    | 1/6           | k2
    """)


def test_ruling_46_a_bolus_at_a_rate_of_0_leaves_no_pause_that_somebody_made(rebuild: Rebuild) -> None:
    """After it the channel is paused by its rate, as before it: a rate above 0 resumes, however late."""
    rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 0
        08:10 | bolus_started    | 120
        08:15 | bolus_ended      |
        10:00 | rate_changed     | 60
        10:30 | infusion_stopped |
    """).segments("""
        started_at | ended_at | state   | volume_ml
        08:00      | 08:10    | paused  | 0
        08:10      | 08:15    | bolus   | 10
        08:15      | 10:00    | paused  | 0
        10:00      | 10:30    | running | 30
    """)


def test_ruling_46_a_bolus_on_top_of_a_rate_of_0_and_the_rate_after_it(rebuild: Rebuild) -> None:
    """What adds to the basal rate adds to 0, and to what the rate becomes while the bolus runs (26)."""
    rebuild("""
        at    | kind             | rate_ml_h | bolus_adds_to_basal
        08:00 | infusion_started | 0         |
        08:10 | bolus_started    | 120       | yes
        08:15 | rate_changed     | 60        |
        08:20 | bolus_ended      |           |
        08:30 | infusion_stopped |           |
    """).segments("""
        started_at | ended_at | state   | volume_ml
        08:00      | 08:10    | paused  | 0
        08:10      | 08:15    | bolus   | 10
        08:15      | 08:20    | bolus   | 15
        08:20      | 08:30    | running | 10
    """)


def test_ruling_17_a_reading_after_the_window_is_no_part(rebuild: Rebuild) -> None:
    """What the pump reports after the pause's window stands outside the infusion (28)."""
    rebuild("""
        at    | kind             | rate_ml_h | volume_delivered_ml | volume_scope
        08:00 | infusion_started | 60        |                     |
        08:10 | infusion_paused  |           |                     |
        10:00 | infusion_stopped |           | 10                  | infusion
    """).infusions("""
        infusion_id | ended_at | end_kind | volume_ml | volume_reported_ml
        e1          | 09:10    | stopped  | 10        |
    """)


def test_ruling_21_an_ambiguous_stop_that_a_start_continues_is_no_end(rebuild: Rebuild) -> None:
    """Only the start and the end of the infusion count, not a stop within it."""
    rebuild("""
        at    | kind             | rate_ml_h | time_quality
        08:00 | infusion_started | 60        | exact
        08:10 | infusion_stopped |           | ambiguous
        08:15 | infusion_started | 60        | exact
        08:30 | infusion_stopped |           | exact
    """).infusions("""
        infusion_id | ended_at | uncertain
        e1          | 08:30    | no
    """)


def test_ruling_21_a_label_nobody_filed_while_the_secondary_runs(rebuild: Rebuild) -> None:
    """The suspended primary spans that row too."""
    rebuild("""
        at    | kind             | rate_ml_h | fluid_source | unmapped
        08:00 | infusion_started | 60        | primary      |
        08:10 | infusion_started | 120       | secondary    |
        08:15 | other            |           |              | kind
        08:20 | infusion_started | 60        | primary      |
        08:30 | infusion_stopped |           |              |
    """).infusions("""
        infusion_id | fluid_source | ended_at | uncertain
        e1          | primary      | 08:30    | yes
        e2          | secondary    | 08:20    | yes
    """)


def test_ruling_14_nothing_bounds_what_ran_up_to_a_logged_keep_open(rebuild: Rebuild) -> None:
    """The log shows how long the volume ran, and after keep-open nothing is left to bound by."""
    rebuild("""
        at    | kind             | rate_ml_h | volume_to_infuse_ml
        08:00 | infusion_started | 60        | 10
        08:12 | kvo_started      | 6         |
        08:20 | rate_changed     | 60        |
        09:00 | key_pressed      |           |
    """).segments("""
        started_at | ended_at | state     | volume_ml
        08:00      | 08:12    | running   | 12
        08:12      | 08:20    | keep_open | 0.8
        08:20      | 09:00    | running   | 40
    """)


def test_ruling_14_no_volume_is_left_for_a_bolus_of_unknown_rate(rebuild: Rebuild) -> None:
    """Once all of the volume ran, no hours are left, whatever the rate."""
    rebuild("""
        at    | kind             | rate_ml_h | volume_to_infuse_ml
        08:00 | infusion_started | 60        | 10
        08:30 | bolus_started    |           |
        08:40 | key_pressed      |           |
    """).infusions("""
        infusion_id | end_kind | running_hours | volume_ml | uncertain
        e1          | open     | 1/6           | 10        | yes
    """)


def test_totals_cleared_before_the_logged_stop_bar_no_start(rebuild: Rebuild) -> None:
    """Only what lies between the stop and the start bars it from going on."""
    rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        08:10 | infusion_paused  |
        08:12 | totals_cleared   |
        08:14 | infusion_stopped |
        08:20 | infusion_started | 60
        08:30 | infusion_stopped |
    """).infusions("""
        infusion_id | ended_at | running_hours
        e1          | 08:30    | 1/3
    """)


def test_ruling_22_a_gap_after_a_patient_change_in_a_pause(rebuild: Rebuild) -> None:
    """Nobody knows any more that the channel does not run, so a pause opens an infusion (3)."""
    rebuild("""
        at    | sequence | channel | kind             | rate_ml_h
        08:00 | 1        | A       | infusion_started | 60
        08:10 | 2        | A       | infusion_paused  |
        08:20 | 3        |         | patient_changed  |
        08:30 | 5        | B       | door_closed      |
        08:40 | 6        | A       | infusion_paused  |
    """).infusions("""
        infusion_id | start_kind | end_kind       | running_hours
        e1          | start      | patient_change | 1/6
        e5          | missing    | open           | 0
    """)


def test_ruling_17_keep_open_after_a_patient_change_in_a_pause(rebuild: Rebuild) -> None:
    """The patient change ended what was paused, and keep-open alone is no start."""
    rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        08:10 | infusion_paused  |
        08:20 | patient_changed  |
        09:30 | kvo_started      | 6
    """).infusions("""
        infusion_id | end_kind       | ended_at
        e1          | patient_change | 08:20
    """)


def test_ruling_19_a_stop_of_the_secondary_ends_the_suspended_primary(rebuild: Rebuild) -> None:
    """The next start goes on with the secondary; the primary stays stopped."""
    rebuild("""
        at       | kind             | rate_ml_h | fluid_source
        08:00    | infusion_started | 60        | primary
        08:10    | infusion_started | 120       | secondary
        08:20    | infusion_stopped |           |
        08:20:01 | infusion_started | 120       | secondary
        08:30    | infusion_stopped |           |
    """).infusions("""
        infusion_id | fluid_source | ended_at | end_kind
        e1          | primary      | 08:20    | stopped
        e2          | secondary    | 08:30    | stopped
    """)


def test_ruling_20_a_primary_stopped_with_its_secondary_is_paused_until_it_goes_on(rebuild: Rebuild) -> None:
    """The stop ends both; the primary's return within the window bridges the gap, which has no running hours (19)."""
    rebuild("""
        at    | kind             | rate_ml_h | fluid_source
        08:00 | infusion_started | 60        | primary
        08:10 | infusion_started | 120       | secondary
        08:20 | infusion_stopped |           |
        08:25 | infusion_started | 60        | primary
        08:30 | infusion_stopped |           |
    """).segments("""
        infusion_id | started_at | ended_at | state   | volume_ml
        e1          | 08:00      | 08:10    | running | 10
        e2          | 08:10      | 08:20    | running | 20
        e1          | 08:20      | 08:25    | paused  | 0
        e1          | 08:25      | 08:30    | running | 5
    """)


def test_ruling_20_totals_cleared_after_the_stop_of_both_lines_end_the_primary(rebuild: Rebuild) -> None:
    """As they do where one line alone was stopped."""
    rebuild("""
        at    | kind             | rate_ml_h | fluid_source
        08:00 | infusion_started | 60        | primary
        08:10 | infusion_started | 120       | secondary
        08:20 | infusion_stopped |           |
        08:21 | totals_cleared   |           |
        08:25 | infusion_started | 60        | primary
        08:30 | infusion_stopped |           |
    """).infusions("""
        infusion_id | fluid_source | start_kind | ended_at | end_kind
        e1          | primary      | start      | 08:20    | stopped
        e2          | secondary    | start      | 08:20    | stopped
        e5          | primary      | start      | 08:30    | stopped
    """)


def test_ruling_19_a_stopped_primary_does_not_go_on_after_its_secondary_did(rebuild: Rebuild) -> None:
    """Another infusion ran since the stop, so its return is a start."""
    rebuild("""
        at       | kind               | rate_ml_h | fluid_source
        08:00    | infusion_started   | 60        | primary
        08:10    | infusion_started   | 120       | secondary
        08:20    | infusion_stopped   |           |
        08:20:01 | infusion_started   | 120       | secondary
        08:25    | infusion_completed |           |
        08:26    | infusion_started   | 60        | primary
        08:30    | infusion_stopped   |           |
    """).infusions("""
        infusion_id | fluid_source | start_kind | ended_at | end_kind
        e1          | primary      | start      | 08:20    | stopped
        e2          | secondary    | start      | 08:25    | completed
        e6          | primary      | start      | 08:30    | stopped
    """)


def test_ruling_10_a_bypass_that_a_stop_without_a_start_took_waits_no_longer(rebuild: Rebuild) -> None:
    """Of what ran unseen the pump had said that it left the library; the secondary after it is not known."""
    rebuild("""
        at    | kind             | rate_ml_h | fluid_source
        08:00 | library_bypassed | 20        |
        08:05 | infusion_stopped |           |
        08:10 | infusion_started | 30        | secondary
        08:20 | infusion_stopped |           |
    """).infusions("""
        infusion_id | start_kind | library_use
        e2          | missing    | bypassed
        e3          | start      |
    """)


def test_ruling_18_a_rate_after_an_alarm_in_keep_open_is_the_rate_it_runs_at(rebuild: Rebuild) -> None:
    """A rate change leaves keep-open, and after an alarm it resumes: not at the keep-open rate (24)."""
    rebuild("""
        at    | kind             | rate_ml_h | alarm_kind | stops_delivery
        08:00 | infusion_started | 120       |            |
        08:10 | kvo_started      | 6         |            |
        08:20 | alarm_raised     |           | occlusion  | yes
        08:30 | rate_changed     | 60        |            |
        08:40 | infusion_stopped |           |            |
    """).segments("""
        started_at | ended_at | state            | volume_ml
        08:00      | 08:10    | running          | 20
        08:10      | 08:20    | keep_open        | 1
        08:20      | 08:30    | stopped_by_alarm | 0
        08:30      | 08:40    | running          | 10
    """)


def test_ruling_46_a_bolus_of_the_next_patient_adds_to_no_rate_of_the_one_before(rebuild: Rebuild) -> None:
    """The infusion at a rate of 0 ended with its patient: what is confirmed later is not its basal rate (4, 26)."""
    rebuild("""
        at    | kind             | rate_ml_h | bolus_adds_to_basal
        08:00 | infusion_started | 0         |
        08:10 | patient_changed  |           |
        08:20 | bolus_started    | 120       | yes
        08:30 | rate_changed     | 60        |
        08:40 | bolus_ended      |           |
        08:50 | infusion_stopped |           |
    """).infusions("""
        infusion_id | volume_ml
        e1          | 0
        e3          | 40
    """)


def test_ruling_10_a_bypass_that_waits_is_for_the_next_start_whichever_its_line(rebuild: Rebuild) -> None:
    """It is the next confirmed start of the channel; the primary comes back inside the library."""
    rebuild("""
        at    | kind             | rate_ml_h | fluid_source | library_use
        08:00 | infusion_started | 60        | primary      | limited
        08:10 | library_bypassed |           |              |
        08:11 | infusion_started | 120       | secondary    |
        08:20 | infusion_started | 60        | primary      |
        08:30 | infusion_stopped |           |              |
    """).infusions("""
        infusion_id | library_use | ended_at
        e1          | limited     | 08:30
        e3          | bypassed    | 08:20
    """)


def test_ruling_10_a_bypass_with_a_rate_waits_too_where_nothing_runs(rebuild: Rebuild) -> None:
    """On an idle channel it is for the next start, the secondary's; taken at once by the primary, it is not."""
    rebuild("""
        at    | channel | kind             | rate_ml_h | fluid_source | library_use
        08:00 | A       | infusion_started | 60        | primary      | limited
        08:10 | A       | infusion_stopped |           |              |
        08:12 | A       | library_bypassed | 120       |              |
        08:13 | A       | infusion_started | 120       | secondary    |
        08:30 | A       | infusion_stopped |           |              |
        08:00 | B       | infusion_started | 60        | primary      | limited
        08:10 | B       | library_bypassed | 80        |              |
        08:20 | B       | infusion_started | 120       | secondary    |
        08:30 | B       | infusion_stopped |           |              |
    """).infusions("""
        infusion_id | library_use | fluid_source
        e1          | limited     | primary
        e4          | bypassed    | secondary
        e6          | limited     | primary
        e7          | bypassed    | primary
        e8          |             | secondary
    """)


def test_ruling_47_two_lives_of_the_counter_at_one_instant(rebuild: Rebuild) -> None:
    """What goes on stands before what begins anew; a reset is no gap, and the stop ends the infusion."""
    rebuild("""
        at    | sequence | kind             | rate_ml_h
        08:00 | 1        | infusion_started | 60
        08:10 | 2        | infusion_stopped |
        08:10 | 1        | infusion_started | 60
        08:20 | 2        | infusion_stopped |
    """).infusions("""
        infusion_id | ended_at | end_kind | running_hours | uncertain
        e1          | 08:20    | stopped  | 1/3           | no
    """)
