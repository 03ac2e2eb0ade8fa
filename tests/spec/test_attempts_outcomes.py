"""What became of an attempt: its outcomes, when it ends, when it was decided."""

from __future__ import annotations

import pytest
from tests.spec.drawn_attempts import BOTH_ENGINES, read
from tests.spec.warned_log import ALERT, HEAD, RUNNING, STOP, row, warned

pytestmark = BOTH_ENGINES


def test_cancelled_needs_a_logged_cancel_and_nothing_running(engine: str) -> None:
    """Given up with no infusion on the channel: cancelled, no infusion, nothing to divide by."""
    read(engine, warned(row("10:30:20", "attempt_cancelled"), running=False)).attempts("""
    | attempt_id | infusion_id | decided_at | outcome   | entered_first | entered_final | limit_multiple | change_factor |
    | e1         |             | 10:30:20   | cancelled | 100           |               | 5              |               |
    """)


def test_a_change_given_up_is_unchanged(engine: str) -> None:
    """A cancel while the infusion runs on leaves it as it was: 100 entered, 10 running, factor 10 (ruling 32)."""
    found = read(engine, warned(row("10:30:20", "attempt_cancelled")))
    found.attempts("""
    | attempt_id | infusion_id | decided_at | outcome   | entered_final | limit_multiple | change_factor |
    | e2         | e1          | 10:30:20   | unchanged |               | 5              | 10            |
    """)


def test_ruling_35_power_off_cancels_where_nothing_ran(engine: str) -> None:
    """Switching off after the warning is a cancel that the log shows."""
    read(engine, warned(row("10:31:00", "powered_off"), running=False)).attempts("""
    | attempt_id | infusion_id | decided_at | outcome   |
    | e1         |             | 10:31      | cancelled |
    """)


@pytest.mark.parametrize("kind", ["powered_off", "power_lost", "powered_on", "patient_changed"])
def test_ruling_35_power_off_and_patient_change_while_running_leave_it_unchanged(
    engine: str, kind: str
) -> None:
    """The running infusion ended as it was, so the change was given up; a power-on while on is a power-off too."""
    # sequence not declared: the power-on makes the stretch from the last proof (the start) unknown, and then
    # nobody can say whether anything ran
    outcome, infusion, factor = ("unknown", "", "") if kind == "powered_on" else ("unchanged", "e1", "10")
    read(engine, "\n".join([RUNNING, ALERT, f"| {row('10:31:00', kind)} |"])).attempts(f"""
    | attempt_id | infusion_id | decided_at | outcome   | change_factor |
    | e2         | {infusion}  | 10:31      | {outcome} | {factor}      |
    """)


def test_ruling_4_another_patient_key_ends_an_attempt_before_the_row_counts(engine: str) -> None:
    """A start for another patient is no confirmation of what was tried for the first one."""
    read(
        engine,
        f"""
    {HEAD}
    | 10:00:00 | limit_alerted    |         | heparin |    | soft high flow_rate 20 mL/h | 100 | | p1 |
    | 10:01:00 | infusion_started | limited | heparin | 18 |                             |     | | p2 |
    """,
    ).attempts("""
    | attempt_id | infusion_id | decided_at | outcome   |
    | e1         |             | 10:01      | cancelled |
    """)


def test_ruling_35_a_time_out_is_unchanged_where_an_infusion_ran_on(engine: str) -> None:
    """Ten minutes with no row of the effort: ends at its last such row, with no time of decision (ruling 31)."""
    read(engine, warned(row("10:31:00", "key_pressed"), row("10:50:00", "volume_reported"))).attempts("""
    | attempt_id | infusion_id | decided_at | outcome   | entered_final | change_factor |
    | e2         | e1          |            | unchanged |               | 10            |
    """)


def test_ruling_35_a_time_out_with_nothing_running_is_unknown(engine: str) -> None:
    """Nothing ran and nothing says that it was cancelled."""
    read(engine, warned(row("11:00:00", "key_pressed"), running=False)).attempts("""
    | attempt_id | infusion_id | decided_at | outcome | change_factor |
    | e1         |             |            | unknown |               |
    """)


def test_ruling_35_volume_reports_and_alarms_do_not_keep_an_attempt_alive(engine: str) -> None:
    """From the alert to the change lie 11 minutes with nothing but a report and an alarm: two efforts."""
    read(engine, warned(
        row("10:35:00", "volume_reported"), row("10:36:00", "alarm_raised"), row("10:41:00", "rate_changed", "18"),
    )).attempts("""
    | attempt_id | decided_at | outcome   |
    | e2         |            | unchanged |
    """)  # fmt: skip


@pytest.mark.parametrize(("second", "outcome"), [("00", "within_limits"), ("01", "unchanged")])
def test_ruling_35_the_tenth_minute_is_still_in_time(engine: str, second: str, outcome: str) -> None:
    """A change exactly 10 min after the alert ends the attempt; a second later it has timed out."""
    read(engine, warned(row(f"10:40:{second}", "rate_changed", "18"))).attempts(f"""
    | attempt_id | outcome   |
    | e2         | {outcome} |
    """)


def test_ruling_35_keys_and_weights_keep_an_attempt_alive(engine: str) -> None:
    """Each row of the effort gives it another 10 min: 10:30, 10:39, 10:48, confirmed 10:57."""
    read(engine, warned(
        row("10:39:00", "key_pressed"), row("10:48:00", "weight_changed"), row("10:57:00", "rate_changed", "15"),
    )).attempts("""
    | attempt_id | decided_at | outcome       | change_factor |
    | e2         | 10:57      | within_limits | 20/3          |
    """)  # fmt: skip


def test_ruling_35_what_the_pump_does_by_itself_confirms_nothing(engine: str) -> None:
    """A step of the pump's own ends no attempt; the user's change after it does (100 / 20 = 5)."""
    read(engine, warned(
        row("10:30:05", "rate_changed", "12", more="| | pump |"), row("10:30:30", "rate_changed", "20"),
    )).attempts("""
    | attempt_id | decided_at | entered_final | outcome       | change_factor |
    | e2         | 10:30:30   | 20            | within_limits | 5             |
    """)  # fmt: skip


def test_ruling_35_keep_open_confirms_nothing(engine: str) -> None:
    """The pump falls to its keep-open rate during the attempt; the cancel after it finds the infusion still there."""
    read(engine, warned(
        row("10:30:05", "kvo_started", "1"), row("10:30:30", "attempt_cancelled"),
    )).attempts("""
    | attempt_id | infusion_id | decided_at | outcome   |
    | e2         | e1          | 10:30:30   | unchanged |
    """)  # fmt: skip


def test_ruling_35_a_resumption_is_unchanged(engine: str) -> None:
    """Paused, a change tried and warned of, then resumed as it was: 100 against the old 10."""
    read(
        engine,
        f"""
    {RUNNING}
    | 10:25:00 | infusion_paused  | | | | | | | |
    {ALERT}
    | 10:31:00 | infusion_resumed | | | | | | | |
    {STOP}
    """,
    ).attempts("""
    | attempt_id | infusion_id | decided_at | outcome   | entered_final | change_factor |
    | e3         | e1          | 10:31      | unchanged | 10            | 10            |
    """)


def test_ruling_35_a_change_confirmed_to_the_old_value_is_unchanged(engine: str) -> None:
    """10 was running, 100 was tried, 10 is confirmed: a change given up, whose programming is the attempt itself."""
    found = read(engine, warned(row("10:31:00", "rate_changed", "10")))
    found.attempts("""
    | attempt_id | infusion_id | decided_at | outcome   | entered_final | change_factor |
    | e2         | e1          | 10:31      | unchanged | 10            | 10            |
    """)
    found.programmings("""
    | programming_id | at    | phase  | value | unit | attempt_id |
    | e1             | 10:00 | start  | 10    | mL/h |            |
    | e2             | 10:30 | change | 100   | mL/h | e2         |
    """)


def test_ruling_35_a_stop_is_unchanged(engine: str) -> None:
    """The user stops instead of changing: the change was given up."""
    read(engine, warned(row("10:31:00", "infusion_stopped"))).attempts("""
    | attempt_id | infusion_id | decided_at | outcome   | change_factor |
    | e2         | e1          | 10:31      | unchanged | 10            |
    """)


def test_a_change_written_as_stop_and_start_is_no_stop(engine: str) -> None:
    """Where a log writes a rate change as a stop and a start with no gap (2 s), the start decides: 40 / 20 = 2."""
    read(engine, warned(
        row("10:31:00", "infusion_stopped"), row("10:31:02", "infusion_started", "40", use="limited", entry="heparin"),
    )).attempts("""
    | attempt_id | infusion_id | decided_at | outcome    | limit_multiple |
    | e2         | e1          | 10:31:02   | overridden | 2              |
    """)  # fmt: skip


@pytest.mark.parametrize(
    ("rate", "decided", "outcome", "multiple"),
    [
        ("18", "10:32:10", "within_limits", "5"),
        ("40", "10:32:10", "overridden", "2"),
        ("10", "10:32:10", "unchanged", "5"),
    ],
)
def test_a_stop_that_the_next_start_continues_is_a_pause(
    engine: str, rate: str, decided: str, outcome: str, multiple: str
) -> None:
    """Ruling 20: stopped, keyed in anew and started 70 s later, the infusion is one, and what was started decides."""
    read(engine, warned(
        row("10:31:00", "infusion_stopped"), row("10:32:10", "infusion_started", rate, use="limited", entry="heparin"),
    )).attempts(f"""
    | attempt_id | infusion_id | decided_at | outcome   | limit_multiple |
    | e2         | e1          | {decided}  | {outcome} | {multiple}     |
    """)  # fmt: skip


@pytest.mark.parametrize(
    ("at", "entry", "infusion"), [("10:41:01", "heparin", "e1"), ("10:32:10", "saline", "e1")]
)
def test_a_stop_that_no_start_continues_within_ten_minutes_gives_the_change_up(
    engine: str, at: str, entry: str, infusion: str
) -> None:
    """Ruling 35: later than an attempt waits, or another infusion: the stop was the answer to the warning."""
    read(engine, warned(
        row("10:31:00", "infusion_stopped"), row(at, "infusion_started", "18", use="limited", entry=entry),
    )).attempts(f"""
    | attempt_id | infusion_id | decided_at | outcome   |
    | e2         | {infusion}  | 10:31      | unchanged |
    """)  # fmt: skip


def test_an_alert_after_such_a_stop_belongs_to_the_same_attempt(engine: str) -> None:
    """Stopped, tried again with 60, warned again, then brought inside: one effort with two alerts."""
    read(engine, warned(
        row("10:31:00", "infusion_stopped"),
        row("10:31:30", "limit_alerted", more="soft high flow_rate 20 mL/h | 60 | | "),
        row("10:32:10", "infusion_started", "18", use="limited", entry="heparin"),
    )).attempts("""
    | attempt_id | infusion_id | alerts | outcome       | entered_first | entered_final |
    | e2         | e1          | 2      | within_limits | 100           | 18            |
    """)  # fmt: skip


def test_a_new_entry_does_not_end_an_attempt_and_its_old_limits_no_longer_hold(engine: str) -> None:
    """Warned under heparin, the user chooses saline instead: inside its limits; factor null, for the entry differs."""
    read(
        engine,
        f"""
    {HEAD}
    | 10:00:00 | limit_alerted    |         | heparin |     | soft high flow_rate 20 mL/h | 100 | | |
    | 10:00:30 | key_pressed      |         | saline  |     |                             |     | | |
    | 10:01:00 | infusion_started | limited | saline  | 100 |                             |     | | |
    """,
    ).attempts("""
    | attempt_id | infusion_id | entry  | outcome       | entered_first | entered_final | limit_multiple | change_factor |
    | e1         | e3          | saline | within_limits | 100           | 100           | 5              |               |
    """)


def test_several_alerts_are_one_attempt(engine: str) -> None:
    """Hard limit at 500, soft limit at 100, then 18: one attempt, both flags, measured against the first alert (34)."""
    # first entered 500 against the hard 50 of the first alert: 10 times; 500 / 18 = 250/9
    read(
        engine,
        f"""
    {HEAD}
    | 10:00:00 | limit_alerted    |         | heparin |    | hard high flow_rate 50 mL/h | 500 | | |
    | 10:00:30 | limit_alerted    |         | heparin |    | soft high flow_rate 20 mL/h | 30  | | |
    | 10:01:00 | infusion_started | limited | heparin | 18 |                             |     | | |
    """,
    ).attempts("""
    | attempt_id | alerts | met_soft | met_hard | limit_value | entered_first | entered_final | limit_multiple | change_factor | outcome       |
    | e1         | 2      | yes      | yes      | 50          | 500           | 18            | 10             | 250/9         | within_limits |
    """)


def test_past_a_hard_limit_with_no_word_of_it_is_unknown(engine: str) -> None:
    """A hard limit cannot be confirmed past: where the values say that it was, nobody knows what happened."""
    read(
        engine,
        f"""
    {HEAD}
    | 10:00:00 | limit_alerted    |         | heparin |     | hard high flow_rate 50 mL/h | 500 | | |
    | 10:01:00 | infusion_started | limited | heparin | 500 |                             |     | | |
    """,
    ).attempts("""
    | attempt_id | infusion_id | outcome | met_hard |
    | e1         | e2          | unknown | yes      |
    """)


def test_an_unknown_final_value_leaves_the_outcome_unknown(engine: str) -> None:
    """A volume was warned of, and no row says what volume was confirmed."""
    read(
        engine,
        f"""
    {HEAD}
    | 10:00:00 | limit_alerted    |         | heparin |    | soft high volume 500 mL | 900 | | |
    | 10:01:00 | infusion_started | limited | heparin | 18 |                         |     | | |
    """,
    ).attempts("""
    | attempt_id | infusion_id | decided_at | outcome | entered_final | limit_multiple |
    | e1         | e2          | 10:01      | unknown |               | 9/5            |
    """)


def test_an_override_that_nothing_follows_stands_as_logged(engine: str) -> None:
    """The log says that the limit was confirmed past, and then nothing for 10 min: overridden, at the row that says so."""
    read(engine, warned(row("10:30:04", "limit_overridden"), running=False)).attempts("""
    | attempt_id | infusion_id | decided_at | outcome    | entered_final | limit_multiple |
    | e1         |             | 10:30:04   | overridden | 100           | 5              |
    """)


def test_ruling_31_the_last_decision_row_is_the_moment_of_decision(engine: str) -> None:
    """Two override rows, then the change: decided at the second override, not at the change."""
    read(engine, warned(
        row("10:30:02", "limit_overridden"),
        row("10:30:05", "limit_alerted", more="soft high volume 500 mL | 900 | |"),
        row("10:30:09", "limit_overridden"), row("10:30:12", "rate_changed", "100"),
    )).attempts("""
    | attempt_id | last_alert_at | decided_at | alerts | outcome    |
    | e2         | 10:30:05      | 10:30:09   | 2      | overridden |
    """)  # fmt: skip


def test_ruling_31_a_decision_in_the_alerts_own_row_has_no_time_of_its_own(engine: str) -> None:
    """The alert's row says 'overridden' later than its time tells: decided when the change was confirmed."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | decision_logged | limit                       | tried |
    | 10:00:00 | limit_alerted    |             | heparin |           | overridden      | soft high flow_rate 20 mL/h | 30    |
    | 10:00:07 | infusion_started | limited     | heparin | 30        |                 |                             |       |
    """,
    ).attempts("""
    | attempt_id | last_alert_at | decided_at | outcome    |
    | e1         | 10:00         | 10:00:07   | overridden |
    """)


@pytest.mark.parametrize(
    ("minute", "rate", "reversed_"),
    [
        ("10:40:09", "20", "yes"),
        ("10:40:10", "20", "no"),
        ("10:35:00", "25", "no"),
        ("10:35:00", "12", "yes"),
    ],
)
def test_an_override_brought_inside_within_ten_minutes_is_reversed(
    engine: str, minute: str, rate: str, reversed_: str
) -> None:
    """Overridden at 10:30:09; inside (20 or less) by 10:40:09 counts, later or still outside does not."""
    read(
        engine, warned(row("10:30:09", "rate_changed", "100"), row(minute, "rate_changed", rate))
    ).attempts(f"""
    | attempt_id | outcome    | reversed    |
    | e2         | overridden | {reversed_} |
    """)


def test_a_taper_of_the_pump_reverses_no_override(engine: str) -> None:
    """What the pump lowers by itself is nobody's second thought."""
    read(engine, warned(
        row("10:30:09", "rate_changed", "100"), row("10:32:00", "rate_changed", "15", more="| | pump |"),
    )).attempts("""
    | attempt_id | outcome    | reversed |
    | e2         | overridden | no       |
    """)  # fmt: skip


def test_a_refill_is_no_resumption(engine: str) -> None:
    """After completion a start programmes anew: 100 tried, the old 15 confirmed is a value brought inside (100 / 15)."""
    read(
        engine,
        f"""
    {HEAD}
    | 09:00:00 | infusion_started   | limited | heparin | 15 |                             |     | | |
    | 10:00:00 | infusion_completed |         |         |    |                             |     | | |
    | 10:05:00 | limit_alerted      |         | heparin |    | soft high flow_rate 20 mL/h | 100 | | |
    | 10:05:20 | infusion_started   | limited | heparin | 15 |                             |     | | |
    """,
    ).attempts("""
    | attempt_id | infusion_id | outcome       | entered_final | change_factor |
    | e3         | e1          | within_limits | 15            | 20/3          |
    """)


def test_an_override_row_stands_even_where_the_old_value_is_confirmed(engine: str) -> None:
    """Running at 40 past the limit, paused, warned again and confirmed past again: overridden, though nothing changed."""
    read(
        engine,
        f"""
    {HEAD}
    | 09:00:00 | infusion_started | limited | heparin | 40 |                             |    | | |
    | 10:00:00 | infusion_paused  |         |         |    |                             |    | | |
    | 10:05:00 | limit_alerted    |         | heparin |    | soft high flow_rate 20 mL/h | 40 | | |
    | 10:05:03 | limit_overridden |         |         |    |                             |    | | |
    | 10:05:05 | infusion_resumed |         |         | 40 |                             |    | | |
    """,
    ).attempts("""
    | attempt_id | infusion_id | outcome    | limit_multiple |
    | e3         | e1          | overridden | 2              |
    """)


def test_a_new_care_area_leaves_the_limits_of_the_old_one_behind(engine: str) -> None:
    """Warned on the ward, the user selects intensive care, where nothing warns: inside the limits that hold there."""
    read(
        engine,
        """
    | at       | kind               | library_use | care_area | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted      |             | ward      | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:00:30 | care_area_selected |             | icu       |         |           |                             |       |
    | 10:01:00 | infusion_started   | limited     | icu       | heparin | 40        |                             |       |
    """,
    ).attempts("""
    | attempt_id | care_area | outcome       |
    | e1         | ward      | within_limits |
    """)


def test_a_key_row_that_names_no_limit_answers_all_that_wait(engine: str) -> None:
    """Volume and rate were warned of; one row says 'within limits'; the volume's value is never logged again."""
    read(
        engine,
        """
    | at       | kind                       | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted              |             | heparin |           | soft high volume 500 mL     | 900   |
    | 10:00:01 | limit_alerted              |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:00:20 | reprogrammed_within_limits |             |         |           |                             |       |
    | 10:00:25 | infusion_started           | limited     | heparin | 18        |                             |       |
    """,
    ).attempts("""
    | attempt_id | alerts | outcome       |
    | e1         | 2      | within_limits |
    """)


def test_a_value_named_before_its_alert_is_not_the_final_one(engine: str) -> None:
    """200 kg were entered, then warned of, then 'brought within limits' by a row without a value: inside."""
    read(
        engine,
        """
    | at       | kind                       | library_use | entry   | rate_ml_h | weight_kg | limit                       | tried |
    | 10:00:00 | limit_alerted              |             | heparin |           |           | soft high flow_rate 20 mL/h | 40    |
    | 10:00:10 | weight_changed             |             |         |           | 200       |                             |       |
    | 10:00:11 | limit_alerted              |             |         |           |           | soft high weight 150 kg     | 200   |
    | 10:00:20 | reprogrammed_within_limits |             |         |           |           |                             |       |
    | 10:00:25 | infusion_started           | limited     | heparin | 18        |           |                             |       |
    """,
    ).attempts("""
    | attempt_id | alerts | outcome       |
    | e1         | 2      | within_limits |
    """)


def test_another_entry_at_a_lower_rate_reverses_no_override(engine: str) -> None:
    """Two minutes after the override another entry runs at 15: that is another drug, not a second thought."""
    read(engine, warned(
        row("10:30:09", "rate_changed", "100"), row("10:32:00", "rate_changed", "15", entry="saline"),
    )).attempts("""
    | attempt_id | outcome    | reversed |
    | e2         | overridden | no       |
    """)  # fmt: skip
