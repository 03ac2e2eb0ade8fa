"""What counts as a programming: a confirmed in-library start, user change or bolus, or an attempt without one."""

from __future__ import annotations

from tests.spec.drawn_attempts import BOTH_ENGINES, read

pytestmark = BOTH_ENGINES


def test_starts_changes_and_boluses(engine: str) -> None:
    """One of each, under the entry and in the care area in force, with what was programmed."""
    read(
        engine,
        """
    | at    | kind             | library_use | care_area | entry    | dose_value | dose_unit | rate_ml_h | bolus_dose_value | volume_to_infuse_ml |
    | 10:00 | infusion_started | limited     | icu       | morphine | 2          | mg/h      | 2         |                  | 50                  |
    | 10:10 | rate_changed     |             |           |          | 3          | mg/h      | 3         |                  |                     |
    | 10:20 | programme_changed |            |           |          |            |           |           |                  | 100                 |
    | 10:30 | bolus_started    |             |           |          |            |           |           | 1                |                     |
    | 10:31 | bolus_ended      |             |           |          |            |           |           |                  |                     |
    | 10:40 | infusion_stopped |             |           |          |            |           |           |                  |                     |
    """,
    ).programmings("""
    | programming_id | infusion_id | at    | phase  | care_area | entry    | value | unit | attempt_id |
    | e1             | e1          | 10:00 | start  | icu       | morphine | 2     | mg/h |            |
    | e2             | e1          | 10:10 | change | icu       | morphine | 3     | mg/h |            |
    | e3             | e1          | 10:20 | change | icu       | morphine | 100   | mL   |            |
    | e4             | e1          | 10:30 | bolus  | icu       | morphine | 1     | mg   |            |
    """)


def test_ruling_45_only_what_runs_under_an_entry(engine: str) -> None:
    """An entry without limits is in the library; outside it and unknown are no in-library programmings."""
    read(
        engine,
        """
    | at    | kind             | channel | library_use    | entry  | rate_ml_h |
    | 10:00 | infusion_started | A       | no_limit_entry | saline | 10        |
    | 10:00 | infusion_started | B       | bypassed       |        | 20        |
    | 10:00 | infusion_started | C       | unknown        | saline | 30        |
    | 10:00 | infusion_started | D       |                | saline | 40        |
    | 10:30 | rate_changed     | B       |                |        | 25        |
    """,
    ).programmings("""
    | programming_id | phase |
    | e1             | start |
    """)


def test_what_the_pump_does_by_itself_is_no_programming(engine: str) -> None:
    """A taper's step is the pump's; a change that an order filled in was still confirmed by a person."""
    read(
        engine,
        """
    | at    | kind             | library_use | entry  | rate_ml_h | initiator |
    | 10:00 | infusion_started | limited     | saline | 10        | order     |
    | 10:10 | rate_changed     |             |        | 12        | pump      |
    | 10:20 | rate_changed     |             |        | 14        | order     |
    | 10:30 | kvo_started      |             |        | 1         |           |
    """,
    ).programmings("""
    | programming_id | at    | phase  |
    | e1             | 10:00 | start  |
    | e3             | 10:20 | change |
    """)


def test_a_resumption_is_none_unless_it_brings_another_value(engine: str) -> None:
    """Paused and resumed as it was: none. Resumed at another rate: a change. The volume left is no new value."""
    read(
        engine,
        """
    | at    | kind             | library_use | entry  | rate_ml_h | volume_to_infuse_ml |
    | 10:00 | infusion_started | limited     | saline | 10        | 100                 |
    | 10:10 | infusion_paused  |             |        |           |                     |
    | 10:20 | infusion_started | limited     | saline | 10        | 98                  |
    | 10:30 | infusion_paused  |             |        |           |                     |
    | 10:40 | infusion_resumed |             |        | 15        |                     |
    | 10:50 | infusion_stopped |             |        |           |                     |
    """,
    ).programmings("""
    | programming_id | infusion_id | at    | phase  | value |
    | e1             | e1          | 10:00 | start  | 10    |
    | e5             | e1          | 10:40 | change | 15    |
    """)


def test_a_change_written_as_stop_and_start_is_a_change(engine: str) -> None:
    """The start continues the infusion without a gap, at another rate: a change, no start."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry  | rate_ml_h |
    | 10:00:00 | infusion_started | limited     | saline | 10        |
    | 10:10:00 | infusion_stopped |             |        |           |
    | 10:10:01 | infusion_started | limited     | saline | 20        |
    | 11:00:00 | infusion_stopped |             |        |           |
    """,
    ).programmings("""
    | programming_id | infusion_id | phase  | value |
    | e1             | e1          | start  | 10    |
    | e3             | e1          | change | 20    |
    """)


def test_ruling_9_another_entry_midway_is_a_start(engine: str) -> None:
    """Another entry, and coming back into the library, are starts; leaving it is no in-library programming."""
    read(
        engine,
        """
    | at    | kind             | library_use | entry  | rate_ml_h |
    | 10:00 | infusion_started | limited     | saline | 10        |
    | 10:10 | rate_changed     |             | ringer | 10        |
    | 10:20 | library_bypassed |             |        | 40        |
    | 10:30 | rate_changed     | limited     | saline | 10        |
    | 10:40 | infusion_stopped |             |        |           |
    """,
    ).programmings("""
    | programming_id | infusion_id | at    | phase | entry  |
    | e1             | e1          | 10:00 | start | saline |
    | e2             | e2          | 10:10 | start | ringer |
    | e4             | e4          | 10:30 | start | saline |
    """)


def test_ruling_3_a_change_of_an_infusion_whose_start_is_missing_is_a_change(engine: str) -> None:
    """The log begins in mid-infusion: the user's change is one, the lost start is not made up."""
    read(
        engine,
        """
    | at    | kind             | library_use | entry  | rate_ml_h |
    | 10:10 | rate_changed     | limited     | saline | 10        |
    | 10:40 | infusion_stopped |             |        |           |
    """,
    ).programmings("""
    | programming_id | infusion_id | at    | phase  |
    | e1             | e1          | 10:10 | change |
    """)


def test_a_change_to_what_runs_already_is_none(engine: str) -> None:
    """The same rate once more programmes nothing new."""
    read(
        engine,
        """
    | at    | kind             | library_use | entry  | rate_ml_h |
    | 10:00 | infusion_started | limited     | saline | 10        |
    | 10:10 | rate_changed     |             |        | 10        |
    | 10:40 | infusion_stopped |             |        |           |
    """,
    ).programmings("""
    | programming_id | phase |
    | e1             | start |
    """)


def test_each_attempt_has_exactly_one_programming(engine: str) -> None:
    """One confirmed, one given up, one that left the library: the confirmed programme, else the attempt itself."""
    read(
        engine,
        """
    | at       | kind              | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted     |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:00:10 | infusion_started  | limited     | heparin | 40        |                             |       |
    | 11:00:00 | limit_alerted     |             | heparin |           | soft high flow_rate 20 mL/h | 90    |
    | 11:00:10 | attempt_cancelled |             |         |           |                             |       |
    | 12:00:00 | limit_alerted     |             | heparin |           | hard high flow_rate 50 mL/h | 99    |
    | 12:00:10 | library_bypassed  |             |         | 99        |                             |       |
    """,
    ).programmings("""
    | programming_id | infusion_id | at       | phase  | value | unit | attempt_id |
    | e2             | e2          | 10:00:10 | start  | 40    | mL/h | e1         |
    | e3             | e2          | 11:00:00 | change | 90    | mL/h | e3         |
    | e5             | e6          | 12:00:00 | change | 99    | mL/h | e5         |
    """)


def test_ruling_19_the_return_of_a_primary_is_compared_with_the_primary(engine: str) -> None:
    """Primary at 10, secondary at 100, and back at 10: nothing new was programmed; at 12 it would have been."""
    read(
        engine,
        """
    | at    | kind               | library_use | entry      | rate_ml_h | volume_to_infuse_ml | fluid_source |
    | 10:00 | infusion_started   | limited     | saline     | 10        | 500                 | primary      |
    | 10:30 | infusion_started   | limited     | antibiotic | 100       | 50                  | secondary    |
    | 11:00 | infusion_completed |             |            |           |                     | secondary    |
    | 11:00 | infusion_started   |             |            | 10        |                     | primary      |
    | 11:30 | programme_changed  |             |            |           | 500                 |              |
    | 12:00 | infusion_started   | limited     | antibiotic | 100       | 50                  | secondary    |
    | 12:30 | infusion_completed |             |            |           |                     | secondary    |
    | 12:30 | infusion_started   | limited     | saline     | 12        |                     | primary      |
    | 13:00 | infusion_stopped   |             |            |           |                     |              |
    """,
    ).programmings("""
    | programming_id | infusion_id | at    | phase  | entry      | value |
    | e1             | e1          | 10:00 | start  | saline     | 10    |
    | e2             | e2          | 10:30 | start  | antibiotic | 100   |
    | e6             | e6          | 12:00 | start  | antibiotic | 100   |
    | e8             | e1          | 12:30 | change | saline     | 12    |
    """)


def test_ruling_19_a_primary_outside_the_library_returns_outside_it(engine: str) -> None:
    """A secondary in the library lends its primary nothing: what comes back is as plain as it was."""
    read(
        engine,
        """
    | at    | kind               | library_use | entry      | rate_ml_h | fluid_source |
    | 10:00 | infusion_started   | bypassed    |            | 10        | primary      |
    | 10:30 | infusion_started   | limited     | antibiotic | 100       | secondary    |
    | 11:00 | infusion_completed |             |            |           | secondary    |
    | 11:00 | infusion_started   |             |            | 20        | primary      |
    | 12:00 | infusion_stopped   |             |            |           |              |
    """,
    ).programmings("""
    | programming_id | infusion_id | phase | entry      | value |
    | e2             | e2          | start | antibiotic | 100   |
    """)
