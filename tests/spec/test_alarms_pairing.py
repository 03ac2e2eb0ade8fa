"""Which alarm a row speaks of that names its alarm poorly: no id, no kind, no channel."""

from __future__ import annotations

import pytest
from tests.spec.alarm_log import RUN, log_of, row
from tests.spec.drawn_attempts import BOTH_ENGINES, read

pytestmark = BOTH_ENGINES


def test_a_clearing_that_names_nothing_closes_the_only_open_alarm(engine: str) -> None:
    """One is open on the channel: it can be no other; a second clearing finds none and closes nothing."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:30:20", "alarm_cleared", ""), row("10:31:00", "alarm_cleared", ""),
        row("10:40:00", "alarm_raised", "air_in_line", id_="7"), row("10:41:00", "alarm_cleared", ""),
        row("10:50:00", "alarm_cleared", "occlusion"),
    )).alarms("""
    | alarm_id | alarm_kind  | cleared_at | ended_at |
    | e2       | occlusion   | 10:30:20   | 10:30:20 |
    | e5       | air_in_line | 10:41      | 10:41    |
    """)  # fmt: skip


def test_of_several_open_alarms_a_clearing_that_names_nothing_closes_none(engine: str) -> None:
    """Nobody can say which; once one is cleared by name, the next clearing can only mean the other."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:31:00", "alarm_raised", "air_in_line"),
        row("10:32:00", "alarm_cleared", ""), row("10:33:00", "alarm_cleared", "occlusion"),
        row("10:34:00", "alarm_cleared", ""),
    )).alarms("""
    | alarm_id | alarm_kind  | cleared_at |
    | e2       | occlusion   | 10:33      |
    | e3       | air_in_line | 10:34      |
    """)  # fmt: skip


def test_with_none_open_a_clearing_that_names_nothing_is_no_alarm(engine: str) -> None:
    """And what is raised later is not cleared by it."""
    read(engine, log_of(row("10:30:00", "alarm_cleared", ""), row("10:31:00", "alarm_raised"))).alarms("""
    | alarm_id | cleared_at |
    | e3       |            |
    """)


def test_an_unmapped_label_is_a_name(engine: str) -> None:
    """A label that nobody filed is of kind `other`: it names something, so that it never closes another kind."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:31:00", "alarm_cleared", "other"),
        row("10:32:00", "alarm_raised", "other"), row("10:33:00", "alarm_cleared", "other"),
    )).alarms("""
    | alarm_id | alarm_kind | cleared_at |
    | e2       | occlusion  |            |
    | e4       | other      | 10:33      |
    """)  # fmt: skip


def test_an_unknown_id_is_a_name(engine: str) -> None:
    """A clearing with the id of an alarm that is not open closes no alarm with another id or without one."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", id_="7"), row("10:31:00", "alarm_cleared", "", id_="8"),
        row("10:32:00", "alarm_raised", "air_in_line"), row("10:33:00", "alarm_cleared", "", id_="9"),
    )).alarms("""
    | alarm_id | cleared_at |
    | e2       |            |
    | e4       |            |
    """)  # fmt: skip


def test_a_clearing_that_names_nothing_is_of_its_channel(engine: str) -> None:
    """B's closes nothing on A and nothing of the pump; one of the pump takes all its channels together."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:30:10", "alarm_raised", "low_battery", channel=""),
        row("10:31:00", "alarm_cleared", "", channel="B"), row("10:32:00", "alarm_cleared", "", channel=""),
        row("10:33:00", "alarm_cleared", ""), row("10:34:00", "alarm_cleared", "", channel=""),
        row("10:35:00", "alarm_raised", channel="B"), row("10:36:00", "alarm_cleared", "", channel=""),
    )).alarms("""
    | alarm_id | channel | alarm_kind  | cleared_at |
    | e2       | A       | occlusion   | 10:33      |
    | e3       |         | low_battery | 10:34      |
    | e8       | B       | occlusion   | 10:36      |
    """)  # fmt: skip


def test_ruling_12_what_ended_without_a_clearing_comes_last(engine: str) -> None:
    """The patient changed under the first: the clearing is the second's; with no other open it is the first's."""
    read(engine, log_of(
        row("10:10:00", "alarm_raised", "near_end"), row("10:20:00", "patient_changed", ""),
        row("10:30:00", "alarm_raised"), row("10:31:00", "alarm_cleared", ""), row("10:32:00", "alarm_cleared", ""),
    )).alarms("""
    | alarm_id | alarm_kind | cleared_at |
    | e2       | near_end   | 10:32      |
    | e4       | occlusion  | 10:31      |
    """)  # fmt: skip


def test_power_off_ends_what_a_clearing_could_mean(engine: str) -> None:
    """The alarm of before is gone, so that only the one after power-on is open."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised"), row("10:40:00", "powered_off", ""), row("10:50:00", "powered_on", ""),
        row("10:51:00", "alarm_raised", "air_in_line"), row("10:52:00", "alarm_cleared", ""),
    )).alarms("""
    | alarm_id | alarm_kind  | cleared_at | ended_at |
    | e2       | occlusion   |            | 10:40    |
    | e5       | air_in_line | 10:52      | 10:52    |
    """)  # fmt: skip


def test_an_update_that_names_nothing_is_of_the_open_alarm(engine: str) -> None:
    """With one open it escalates that; with several, the one that sounded last; with none it is a new `other`."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", priority="low"), row("10:30:10", "alarm_updated", "", priority="high"),
        row("10:31:00", "alarm_raised", "air_in_line"), row("10:31:10", "alarm_updated", "", priority="medium"),
        row("10:32:00", "alarm_cleared", "occlusion"), row("10:33:00", "alarm_cleared", "air_in_line"),
        row("10:40:00", "alarm_updated", "", priority="low"), row("10:41:00", "alarm_cleared", ""),
    )).alarms("""
    | alarm_id | alarm_kind  | alarm_priority | raw_count | cleared_at |
    | e2       | occlusion   | high           | 2         | 10:32      |
    | e4       | air_in_line | medium         | 2         | 10:33      |
    | e8       | other       | low            | 1         | 10:41      |
    """)  # fmt: skip


def test_ids_when_raised_and_none_when_cleared(engine: str) -> None:
    """Each clearing is the first open one's of its kind; what is cleared already is not open."""
    read(engine, log_of(
        row("10:10:00", "alarm_raised", id_="7"), row("10:11:00", "alarm_cleared"),
        row("10:20:00", "alarm_raised", id_="8"), row("10:21:00", "alarm_cleared"),
        row("10:30:00", "alarm_raised", id_="9"), row("10:31:00", "alarm_updated"), row("10:32:00", "alarm_cleared"),
    )).alarms("""
    | alarm_id | raised_at | cleared_at | raw_count |
    | e2       | 10:10     | 10:11      | 1         |
    | e4       | 10:20     | 10:21      | 1         |
    | e6       | 10:30     | 10:32      | 2         |
    """)  # fmt: skip


@pytest.mark.parametrize(("id_", "kind"), [("7", ""), ("7", "occlusion"), ("", "occlusion")])
def test_a_clearing_without_channel_reaches_the_channels(engine: str, id_: str, kind: str) -> None:
    """What belongs to no channel applies to every one: the pump clears what it names, by id or by kind."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", id_="7"), row("10:30:10", "alarm_raised", "air_in_line", id_="8"),
        row("10:31:00", "alarm_cleared", kind, id_=id_, channel=""),
    )).alarms("""
    | alarm_id | channel | cleared_at |
    | e2       | A       | 10:31      |
    | e3       | A       |            |
    """)  # fmt: skip


def test_a_clearing_without_channel_closes_none_of_several(engine: str) -> None:
    """Two channels stand in the same kind of alarm: by kind it is neither's; by its id it is the one's."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", id_="7"), row("10:30:10", "alarm_raised", id_="8", channel="B"),
        row("10:31:00", "alarm_cleared", channel=""), row("10:32:00", "alarm_cleared", id_="8", channel=""),
        row("10:33:00", "alarm_cleared", channel=""),
    )).alarms("""
    | alarm_id | channel | cleared_at |
    | e2       | A       | 10:33      |
    | e3       | B       | 10:32      |
    """)  # fmt: skip


def test_one_id_on_two_channels_is_two_alarms(engine: str) -> None:
    """Numbered by channel: a clearing of the pump with that id may be either's, and closes none."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", id_="1"), row("10:30:10", "alarm_raised", "air_in_line", id_="1", channel="B"),
        row("10:31:00", "alarm_cleared", "", id_="1", channel=""), row("10:32:00", "alarm_cleared", "", id_="1"),
    )).alarms("""
    | alarm_id | channel | cleared_at |
    | e2       | A       | 10:32      |
    | e3       | B       |            |
    """)  # fmt: skip


def test_the_pumps_own_alarm_comes_first(engine: str) -> None:
    """A kind that is open on the pump and on a channel: what names no channel clears the pump's."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", "fault"), row("10:31:00", "alarm_raised", "fault", channel=""),
        row("10:32:00", "alarm_cleared", "fault", channel=""),
    )).alarms("""
    | alarm_id | channel | cleared_at |
    | e2       | A       |            |
    | e3       |         | 10:32      |
    """)  # fmt: skip


def test_an_update_without_channel_is_no_new_alarm(engine: str) -> None:
    """It escalates the one that it names, and a silencing without channel answers it; a raise is the pump's own."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", id_="7", priority="low"),
        row("10:30:10", "alarm_updated", id_="7", priority="high", channel=""),
        row("10:30:20", "alarm_silenced", channel=""), row("10:31:00", "alarm_cleared", id_="7", channel=""),
        row("10:40:00", "alarm_raised", "fault"), row("10:40:10", "alarm_raised", "fault", channel=""),
    )).alarms("""
    | alarm_id | channel | alarm_priority | raw_count | silenced_at | cleared_at |
    | e2       | A       | high           | 2         | 10:30:20    | 10:31      |
    | e6       | A       |                | 1         |             |            |
    | e7       |         |                | 1         |             |            |
    """)  # fmt: skip


def test_an_update_with_an_id_of_its_own_is_another_alarm(engine: str) -> None:
    """On a pump that names no channel: of the kind that is open already, but with an id that is not."""
    read(engine, log_of(
        row("10:30:00", "alarm_raised", channel=""), row("10:30:10", "alarm_updated", id_="2", channel=""),
        row("10:31:00", "alarm_cleared", "", id_="2", channel=""), row("10:32:00", "alarm_cleared", channel=""),
    )).alarms("""
    | alarm_id | cleared_at | raw_count |
    | e2       | 10:32      | 1         |
    | e3       | 10:31      | 1         |
    """)  # fmt: skip


def test_what_a_source_without_clearings_raised_is_not_open(engine: str) -> None:
    """Its alarms have no end; a clearing that another source logs is the other source's alarm's."""
    text = "\n".join([
        RUN.replace("stops_delivery |", "stops_delivery | source_name |").replace("|                |\n", "| | wards |\n"),
        f"| {row('10:30:00', 'alarm_raised')} | mute |", f"| {row('10:31:00', 'alarm_raised', 'fault')} | wards |",
        f"| {row('10:32:00', 'alarm_cleared', '')} | wards |",
    ])  # fmt: skip
    read(engine, text, {"wards": ["all"], "mute": ["infusion_started", "alarm_raised"]}).alarms("""
    | alarm_id | alarm_kind | cleared_at | ended_at |
    | e2       | occlusion  |            |          |
    | e3       | fault      | 10:32      | 10:32    |
    """)
