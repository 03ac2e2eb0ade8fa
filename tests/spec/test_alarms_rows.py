"""Alarms: one condition from raised to cleared, however often it sounds."""

from __future__ import annotations

import pytest
from tests.spec.alarm_log import RUN, log_of, row
from tests.spec.drawn_attempts import BOTH_ENGINES, read

from dripledger.schema.codes import ALARM_KINDS

pytestmark = BOTH_ENGINES


def test_one_condition_from_raised_to_cleared(engine: str) -> None:
    """Raised, silenced, cleared: one row, with the infusion and the care area in force."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", priority="high", stops="yes"), row("10:30:20", "alarm_silenced"),
        row("10:30:50", "alarm_silenced"), row("10:31:00", "alarm_cleared"),
    )).alarms("""
    | alarm_id | channel | infusion_id | care_area | raised_at | silenced_at | cleared_at | ended_at | alarm_kind | alarm_priority | raw_count | stopped_delivery |
    | e2       | A       | e1          | ward      | 10:30     | 10:30:20    | 10:31      | 10:31    | occlusion  | high           | 1         | yes              |
    """)  # fmt: skip


def test_pairing_by_id_before_kind(engine: str) -> None:
    """Two of one kind are open; the clearing names the second one's id."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", id_="7"), row("10:31:00", "alarm_raised", id_="8"),
        row("10:32:00", "alarm_cleared", id_="8"), row("10:33:00", "alarm_cleared", id_="7"),
    )).alarms("""
    | alarm_id | raised_at | cleared_at | raw_count |
    | e2       | 10:30     | 10:33      | 1         |
    | e3       | 10:31     | 10:32      | 1         |
    """)  # fmt: skip


def test_pairing_by_the_first_open_one_of_the_kind(engine: str) -> None:
    """Without an id, a clearing goes to the first open alarm of its kind, never to another kind."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", "occlusion", id_="7"), row("10:30:30", "alarm_raised", "occlusion", id_="8"),
        row("10:31:00", "alarm_raised", "air_in_line"), row("10:32:00", "alarm_cleared", "occlusion"),
        row("10:33:00", "alarm_cleared", "air_in_line"),
    )).alarms("""
    | alarm_id | alarm_kind  | cleared_at | ended_at |
    | e2       | occlusion   | 10:32      | 10:32    |
    | e3       | occlusion   |            | 12:00    |
    | e4       | air_in_line | 10:33      | 10:33    |
    """)  # fmt: skip


def test_channels_do_not_mix(engine: str) -> None:
    """B's clearing clears nothing on A (ruling 39: the same pump, channel and kind)."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:31:00", "alarm_raised", channel="B"),
        row("10:32:00", "alarm_cleared", channel="B"), row("10:32:30", "alarm_raised", channel="B"),
        row("10:40:00", "alarm_cleared"), row("10:41:00", "alarm_cleared", channel="B"),
    )).alarms("""
    | alarm_id | channel | infusion_id | raised_at | cleared_at | raw_count |
    | e2       | A       | e1          | 10:30     | 10:40      | 1         |
    | e3       | B       |             | 10:31     | 10:41      | 2         |
    """)  # fmt: skip


def test_sounding_again_and_escalation_are_one_alarm_at_its_highest_priority(engine: str) -> None:
    """Raised low, updated to high, updated to medium, raised again while open: one alarm, four raw rows."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", "near_end", priority="low"),
        row("10:31:00", "alarm_updated", "near_end", priority="high"),
        row("10:32:00", "alarm_updated", "near_end", priority="medium"),
        row("10:33:00", "alarm_raised", "near_end"), row("10:34:00", "alarm_cleared", "near_end"),
    )).alarms("""
    | alarm_id | raised_at | cleared_at | alarm_priority | raw_count |
    | e2       | 10:30     | 10:34      | high           | 4         |
    """)  # fmt: skip


@pytest.mark.parametrize(("second", "alarms"), [("00", 1), ("01", 2)])
def test_ruling_39_a_repeat_within_60_s_of_clearing_is_the_same_alarm(
    engine: str, second: str, alarms: int
) -> None:
    """Cleared 10:31:00, raised again 60 s later: one alarm to the last clear; 61 s later: two."""
    one = """
    | alarm_id | raised_at | cleared_at | raw_count |
    | e2       | 10:30     | 10:33      | 2         |
    """
    two = """
    | alarm_id | raised_at | cleared_at | raw_count |
    | e2       | 10:30     | 10:31      | 1         |
    | e4       | 10:32:01  | 10:33      | 1         |
    """
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:31:00", "alarm_cleared"),
        row(f"10:32:{second}", "alarm_raised"), row("10:33:00", "alarm_cleared"),
    )).alarms(one if alarms == 1 else two)  # fmt: skip


def test_ruling_39_repeats_chain(engine: str) -> None:
    """Each repeat counts from the clearing before it: three in a row, and another id makes no difference."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", id_="1"), row("10:30:10", "alarm_cleared", id_="1"),
        row("10:31:00", "alarm_raised", id_="2"), row("10:31:10", "alarm_cleared", id_="2"),
        row("10:32:00", "alarm_raised", id_="3"), row("10:32:10", "alarm_cleared", id_="3"),
    )).alarms("""
    | alarm_id | raised_at | cleared_at | raw_count |
    | e2       | 10:30     | 10:32:10   | 3         |
    """)  # fmt: skip


def test_another_kind_within_60_s_is_another_alarm(engine: str) -> None:
    """Only a repeat of its own kind is the same condition."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", "occlusion"), row("10:31:00", "alarm_cleared", "occlusion"),
        row("10:31:30", "alarm_raised", "air_in_line"), row("10:32:00", "alarm_cleared", "air_in_line"),
    )).alarms("""
    | alarm_id | alarm_kind  | raw_count |
    | e2       | occlusion   | 1         |
    | e4       | air_in_line | 1         |
    """)  # fmt: skip


def test_a_silencing_that_names_nothing_silences_all_that_sounds(engine: str) -> None:
    """One key for the whole pump: both open alarms were answered, the cleared one was not."""
    read(engine, log_of(
        row("10:28:00", "alarm_raised", "door_open"), row("10:29:00", "alarm_cleared", "door_open"),
        row("10:30:00", "alarm_raised", "occlusion"), row("10:30:05", "alarm_raised", "low_battery", channel=""),
        row("10:30:20", "alarm_silenced", "", channel=""), row("10:31:00", "alarm_cleared", "occlusion"),
        row("10:32:00", "alarm_cleared", "low_battery", channel=""),
    )).alarms("""
    | alarm_id | alarm_kind  | silenced_at | cleared_at |
    | e2       | door_open   |             | 10:29      |
    | e4       | occlusion   | 10:30:20    | 10:31      |
    | e5       | low_battery | 10:30:20    | 10:32      |
    """)  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "ended"), [("powered_off", "10:40"), ("patient_changed", "10:40"), ("infusion_stopped", "10:40")]
)
def test_ruling_12_an_alarm_never_cleared_ends_at_the_first_that_must_end_it(
    engine: str, kind: str, ended: str
) -> None:
    """Power-off, patient change or the end of its infusion; it stays uncleared, and a new raise is a new alarm."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:40:00", kind, ""), row("10:50:00", "alarm_raised"),
        row("10:51:00", "alarm_cleared"),
    )).alarms(f"""
    | alarm_id | raised_at | cleared_at | ended_at | raw_count |
    | e2       | 10:30     |            | {ended}  | 1         |
    | e4       | 10:50     | 10:51      | 10:51    | 1         |
    """)  # fmt: skip


def test_ruling_12_at_the_logs_end_an_open_alarm_ends_with_the_pumps_last_event(engine: str) -> None:
    """The infusion is open and the alarm too: its end is the last thing that the pump logged, on any channel."""
    read(engine, "\n".join([
        RUN, f"| {row('10:30:00', 'alarm_raised')} |", f"| {row('10:45:00', 'key_pressed', '', channel='B')} |",
    ])).alarms("""
    | alarm_id | cleared_at | ended_at |
    | e2       |            | 10:45    |
    """)  # fmt: skip


def test_a_clearing_after_the_infusions_end_still_clears(engine: str) -> None:
    """Stopped because of the occlusion, cleared 5 s later: the log shows the clearing, so it was cleared then."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:40:00", "infusion_stopped", ""), row("10:40:05", "alarm_cleared"),
    )).alarms("""
    | alarm_id | cleared_at | ended_at |
    | e2       | 10:40:05   | 10:40:05 |
    """)  # fmt: skip


def test_after_power_off_nothing_clears_an_alarm_of_before(engine: str) -> None:
    """A pump that was off has no open condition left; the stray clearing belongs to nothing."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:40:00", "powered_off", ""), row("10:50:00", "powered_on", ""),
        row("10:51:00", "alarm_cleared"),
    )).alarms("""
    | alarm_id | cleared_at | ended_at |
    | e2       |            | 10:40    |
    """)  # fmt: skip


def test_ruling_12_a_source_that_cannot_log_clearing(engine: str) -> None:
    """Every raise over 60 s after the last one is a new alarm, none has an end: 10:30, 10:31 | 10:32:01 | 10:40.

    A silencing answers the one that sounded last: what nobody can see cleared must not swallow every answer.
    """
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:31:00", "alarm_raised"), row("10:32:01", "alarm_raised"),
        row("10:32:30", "alarm_silenced"), row("10:40:00", "alarm_raised"),
    ), {"wards": ["infusion_started", "infusion_stopped", "alarm_raised", "alarm_silenced"]}).alarms("""
    | alarm_id | raised_at | silenced_at | cleared_at | ended_at | raw_count |
    | e2       | 10:30     |             |            |          | 2         |
    | e4       | 10:32:01  | 10:32:30    |            |          | 1         |
    | e6       | 10:40     |             |            |          | 1         |
    """)  # fmt: skip


def test_ruling_40_a_limit_alert_repeated_as_an_alarm_is_folded(engine: str) -> None:
    """Kind `limit_alert` never makes a row of its own here."""
    read(engine, log_of(
        row("10:30:00", "limit_alerted", ""), row("10:30:02", "alarm_raised", "limit_alert", priority="low"),
        row("10:30:09", "alarm_updated", "limit_alert", priority="medium"), row("10:30:20", "alarm_cleared", "limit_alert"),
    )).alarms("| alarm_id |")  # fmt: skip


def test_ruling_41_a_pump_level_alarm_has_no_infusion(engine: str) -> None:
    """A low battery is the pump's: no infusion, plain id, the care area that the pump logged last."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", "low_battery", channel="", priority="medium", stops=""),
        row("10:50:00", "alarm_cleared", "low_battery", channel=""),
    )).alarms("""
    | alarm_id | channel | infusion_id | care_area | cleared_at | stopped_delivery |
    | e2       |         |             | ward      | 10:50      | no               |
    """)  # fmt: skip


def test_ruling_12_a_pump_level_alarm_outlives_the_infusions(engine: str) -> None:
    """It has no infusion whose end could end it: a second raise after the stop is the same alarm."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", "low_battery", channel=""), row("10:40:00", "infusion_stopped", ""),
        row("10:45:00", "alarm_raised", "low_battery", channel=""),
        row("10:50:00", "alarm_cleared", "low_battery", channel=""),
    )).alarms("""
    | alarm_id | cleared_at | raw_count |
    | e2       | 10:50      | 2         |
    """)  # fmt: skip


@pytest.mark.parametrize(
    ("alarm_kind", "stops", "stopped"),
    [
        ("occlusion", "yes", "yes"),
        ("occlusion", "no", "no"),
        ("occlusion", "", ""),  # ruling 5: effect not declared, nobody knows
        ("low_battery", "", "no"),  # ruling 18: stops nothing unless the log says so
        ("low_battery", "yes", "yes"),
    ],
)
def test_ruling_18_which_alarm_stopped_a_running_delivery(
    engine: str, alarm_kind: str, stops: str, stopped: str
) -> None:
    """As the log or the mapping says."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", alarm_kind, stops=stops), row("10:31:00", "alarm_cleared", alarm_kind),
    )).alarms(f"""
    | alarm_id | stopped_delivery |
    | e2       | {stopped}        |
    """)  # fmt: skip


def test_an_alarm_stops_only_what_runs(engine: str) -> None:
    """The same alarm on a paused channel stopped nothing; the second of two that stop found it stopped already."""
    read(engine, log_of(
        row("10:10:00", "infusion_paused", ""), row("10:11:00", "alarm_raised", "air_in_line", stops="yes"),
        row("10:12:00", "alarm_cleared", "air_in_line"), row("10:13:00", "infusion_resumed", ""),
        row("10:30:00", "alarm_raised", "occlusion", stops="yes"),
        row("10:30:10", "alarm_raised", "door_open", stops="yes"),
    )).alarms("""
    | alarm_id | alarm_kind  | stopped_delivery |
    | e3       | air_in_line | no               |
    | e6       | occlusion   | yes              |
    | e7       | door_open   | no               |
    """)  # fmt: skip


def test_an_alarm_that_stops_delivery_only_when_it_escalates(engine: str) -> None:
    """Raised as a warning, updated to one that stops: the one alarm did stop the delivery."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", "near_end", stops="no"), row("10:35:00", "alarm_updated", "near_end", stops="yes"),
    )).alarms("""
    | alarm_id | raw_count | stopped_delivery |
    | e2       | 2         | yes              |
    """)  # fmt: skip


def test_a_pump_level_alarm_stops_whichever_channel_runs(engine: str) -> None:
    """A fault of the whole pump while A runs."""
    read(engine, log_of(row("10:30:00", "alarm_raised", "fault", channel="", stops="yes"))).alarms("""
    | alarm_id | infusion_id | stopped_delivery |
    | e2       |             | yes              |
    """)


def test_an_update_whose_raise_is_not_in_the_log_begins_the_alarm(engine: str) -> None:
    """The log begins in the middle of an alarm: it is counted from what the log shows."""
    read(engine, log_of(
        row("10:30:00", "alarm_updated", priority="medium"), row("10:31:00", "alarm_cleared"),
    )).alarms("""
    | alarm_id | raised_at | cleared_at | alarm_priority | raw_count |
    | e2       | 10:30     | 10:31      | medium         | 1         |
    """)  # fmt: skip


def test_a_clearing_with_nothing_open_is_no_alarm(engine: str) -> None:
    """What was raised before the log began and only cleared in it has no row."""
    read(engine, log_of(row("10:30:00", "alarm_cleared"))).alarms("| alarm_id |")


def test_the_infusion_of_an_alarm_at_its_very_end(engine: str) -> None:
    """Raised in the second in which the infusion completes: it is that infusion's alarm."""
    read(engine, "\n".join([
        RUN, f"| {row('10:30:00', 'infusion_completed', '')} |",
        f"| {row('10:30:00', 'alarm_raised', 'end_of_infusion', priority='low')} |",
        f"| {row('10:32:00', 'alarm_cleared', 'end_of_infusion')} |",
    ])).alarms("""
    | infusion_id | raised_at | cleared_at | alarm_kind      |
    | e1          | 10:30     | 10:32      | end_of_infusion |
    """)  # fmt: skip


def test_an_unmapped_alarm_is_other(engine: str) -> None:
    """A label that nobody filed is kept, as `other`."""
    read(engine, log_of(row("10:30:00", "alarm_raised", ""), row("10:31:00", "alarm_cleared", ""))).alarms("""
    | alarm_id | alarm_kind | alarm_priority | cleared_at |
    | e2       | other      |                | 10:31      |
    """)


@pytest.mark.parametrize("again", ["alarm_raised", "alarm_updated"])
def test_ruling_12_only_what_comes_after_the_last_sounding_ends_an_alarm(engine: str, again: str) -> None:
    """Cleared, its infusion stopped, then it sounds again within 60 s: that stop is past, it lasts to the log's end."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:39:50", "alarm_cleared"), row("10:40:00", "infusion_stopped", ""),
        row("10:40:10", again), row("10:50:00", "key_pressed", ""),
    )).alarms("""
    | alarm_id | cleared_at | ended_at | raw_count |
    | e2       |            | 12:00    | 2         |
    """)  # fmt: skip


@pytest.mark.parametrize("kind", ALARM_KINDS)
def test_ruling_43_the_kinds_of_alarm(engine: str, kind: str) -> None:
    """Every kind has its row, under its name; only `limit_alert` never has one."""
    drawn = (
        ""
        if kind == "limit_alert"
        else f"""
    | e2       | {kind}     | 1         |"""
    )
    read(engine, log_of(row("10:30:00", "alarm_raised", kind))).alarms(f"""
    | alarm_id | alarm_kind | raw_count |{drawn}
    """)
