"""Drawn tables: which start continues an infusion, and what the others are called."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.spec.drawn import Rebuilt

Rebuild = Callable[..., Rebuilt]


_HALTS = {
    "pause": "infusion_paused | ",
    "alarm": "alarm_raised | yes",
    "door": "door_opened | ",
    "standby": "standby_entered | ",
    "stop": "infusion_stopped | ",
    "completion": "infusion_completed | ",
}


@pytest.mark.parametrize("word", ["infusion_started", "infusion_resumed"])
@pytest.mark.parametrize(
    ("halt", "again", "continues"),
    [
        ("pause", "10:00:00", True),
        ("pause", "10:00:01", False),
        ("alarm", "10:00:00", True),
        ("alarm", "10:00:01", False),
        ("door", "10:00:00", True),
        ("door", "10:00:01", False),
        ("standby", "10:00:00", True),
        ("standby", "10:00:01", False),
        ("stop", "09:15:00", True),
        ("stop", "09:15:01", False),
        ("completion", "09:15:00", True),
        ("completion", "09:15:01", False),
    ],
)
def test_ruling_06_windows_include_their_end(
    rebuild: Rebuild, halt: str, again: str, continues: bool, word: str
) -> None:
    """60 min after pause, stopping alarm, door or standby, 15 after stop or completion, whatever the word."""
    out = rebuild(f"""
        at       | kind             | stops_delivery | rate_ml_h
        08:00:00 | infusion_started |                | 60
        09:00:00 | {_HALTS[halt]}                    |
        {again}  | {word}           |                | 60
        11:00:00 | infusion_stopped |                |
    """)
    assert [i["infusion_id"] for i in out.infusion_rows] == (["e1"] if continues else ["e1", "e3"])
    assert [i["start_kind"] for i in out.infusion_rows] == ["start"] * (1 if continues else 2)
    assert all(i["continues_infusion_id"] is None for i in out.infusion_rows)


def test_ruling_06_the_site_sets_the_windows(rebuild: Rebuild) -> None:
    """The windows are settings of the site, not constants."""
    log = """
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        09:00 | infusion_stopped |
        09:20 | infusion_started | 60
        10:20 | infusion_stopped |
    """
    assert len(rebuild(log).infusion_rows) == 2
    assert len(rebuild(log, continue_after_stop_s=1200).infusion_rows) == 1
    assert len(rebuild(log, continue_after_stop_s=1199).infusion_rows) == 2


def test_ruling_15_the_care_area_is_compared_with_where_it_last_ran(rebuild: Rebuild) -> None:
    """Moved while running, then stopped and started again there: the same infusion, in two areas."""
    out = rebuild("""
        at    | channel | kind               | care_area | entry   | rate_ml_h
        08:00 | A       | infusion_started   | ICU       | heparin | 60
        09:00 |         | care_area_selected | Ward      |         |
        09:30 | A       | infusion_stopped   |           |         |
        09:35 | A       | infusion_started   | Ward      | heparin | 60
        10:35 | A       | infusion_stopped   |           |         |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state   | care_area
        e1          | 08:00      | 09:00    | running | ICU
        e1          | 09:00      | 09:30    | running | Ward
        e1          | 09:30      | 09:35    | paused  | Ward
        e1          | 09:35      | 10:35    | running | Ward
    """)
    out.infusions("""
        infusion_id | care_area | running_hours
        e1          | ICU       | 2.5
    """)


def test_ruling_15_another_area_since_it_last_ran_is_a_new_infusion(rebuild: Rebuild) -> None:
    """An area chosen between stop and start keeps the two apart, and links them."""
    out = rebuild("""
        at    | channel | kind               | care_area | entry   | rate_ml_h
        08:00 | A       | infusion_started   | ICU       | heparin | 60
        09:00 | A       | infusion_stopped   |           |         |
        09:02 |         | care_area_selected | Ward      |         |
        09:05 | A       | infusion_started   |           | heparin | 60
        10:05 | A       | infusion_stopped   |           |         |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | care_area
        e1          |                       | start      | ICU
        e4          | e1                    | start      | Ward
    """)


def test_ruling_16_after_keep_open_the_window_counts_from_its_end(rebuild: Rebuild) -> None:
    """A refill within 15 min after the keep-open stretch continues the infusion."""
    out = rebuild("""
        at    | kind               | rate_ml_h | volume_to_infuse_ml
        08:00 | infusion_started   | 60        | 60
        09:00 | infusion_completed |           |
        09:00 | kvo_started        | 3         |
        09:40 | infusion_stopped   |           |
        09:55 | infusion_started   | 60        | 60
        10:55 | infusion_completed |           |
    """)
    # Keep-open 40 min x 3 mL/h = 2 mL, apart; 60 + 60 = 120 mL else.
    out.segments("""
        infusion_id | started_at | ended_at | state     | rate_ml_h | volume_ml
        e1          | 08:00      | 09:00    | running   | 60        | 60
        e1          | 09:00      | 09:40    | keep_open | 3         | 2
        e1          | 09:40      | 09:55    | paused    | *         | 0
        e1          | 09:55      | 10:55    | running   | 60        | 60
    """)
    out.infusions("""
        infusion_id | end_kind  | running_hours | volume_ml | volume_keep_open_ml | user_rate_changes
        e1          | completed | 2             | 120       | 2                   | 0
    """)


def test_ruling_16_a_start_while_kept_open_has_no_gap(rebuild: Rebuild) -> None:
    """However long the vein was kept open, the start continues at once, and is no rate change."""
    out = rebuild("""
        at    | kind               | rate_ml_h
        08:00 | infusion_started   | 60
        09:00 | infusion_completed |
        09:01 | kvo_started        | 3
        11:01 | infusion_started   | 90
        12:01 | infusion_stopped   |
    """)
    # The keep-open begins 60 s after the completion, just in time: 2 h x 3 = 6 mL.
    out.infusions("""
        infusion_id | end_kind | running_hours | volume_ml | volume_keep_open_ml | user_rate_changes
        e1          | stopped  | 2             | 150       | 6                   | 0
    """)


def test_ruling_16_a_completion_without_keep_open_is_the_end(rebuild: Rebuild) -> None:
    """The infusion ends when its volume is done; a stop pressed afterwards changes nothing."""
    out = rebuild("""
        at    | channel | kind               | rate_ml_h
        08:00 | A       | infusion_started   | 60
        09:00 | A       | infusion_completed |
        09:02 | A       | infusion_stopped   |
        12:00 |         | key_pressed        |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state
        e1          | 08:00      | 09:00    | running
    """)
    out.infusions("""
        infusion_id | ended_at | end_kind  | running_hours | uncertain
        e1          | 09:00    | completed | 1             | no
    """)


def test_ruling_19_the_primary_is_suspended_while_a_secondary_runs(rebuild: Rebuild) -> None:
    """A secondary is its own infusion; the return of the primary is no start, whatever the window."""
    out = rebuild("""
        at    | kind               | fluid_source | entry      | rate_ml_h
        08:00 | infusion_started   | primary      | saline     | 60
        09:00 | infusion_started   | secondary    | antibiotic | 100
        11:00 | infusion_completed | secondary    |            |
        11:20 | infusion_started   | primary      | saline     | 60
        12:20 | infusion_stopped   |              |            |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state   | fluid_source | volume_ml
        e1          | 08:00      | 09:00    | running | primary      | 60
        e2          | 09:00      | 11:00    | running | secondary    | 200
        e1          | 11:20      | 12:20    | running | primary      | 60
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | end_kind  | ended_at | running_hours | user_rate_changes
        e1          |                       | start      | stopped   | 12:20    | 2             | 0
        e2          |                       | start      | completed | 11:00    | 2             | 0
    """)


def test_ruling_19_each_line_keeps_its_own_values(rebuild: Rebuild) -> None:
    """A secondary takes over nothing from the primary, and the primary finds its own values again."""
    out = rebuild("""
        at    | kind               | fluid_source | library_use | entry      | rate_ml_h
        08:00 | infusion_started   | primary      | limited     | saline     | 60
        09:00 | infusion_started   | secondary    |             | antibiotic | 100
        10:00 | infusion_completed |              |             |            |
        10:01 | infusion_started   | primary      |             |            |
        11:01 | infusion_stopped   |              |             |            |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | entry      | end_kind  | running_hours | volume_ml
        e1          |                       | saline     | stopped   | 2             | 120
        e2          |                       | antibiotic | completed | 1             | 100
    """)


def test_ruling_19_a_logged_switch_of_source_suspends_too(rebuild: Rebuild) -> None:
    """Logs that close the primary and open the secondary within 2 s mean the same."""
    out = rebuild("""
        at       | kind               | fluid_source | entry      | rate_ml_h
        08:00:00 | infusion_started   | primary      | saline     | 60
        09:00:00 | infusion_stopped   | primary      |            |
        09:00:02 | infusion_started   | secondary    | antibiotic | 100
        10:00:02 | infusion_completed | secondary    |            |
        10:00:03 | infusion_started   | primary      | saline     | 60
        11:00:03 | infusion_stopped   | primary      |            |
    """)
    out.infusions("""
        infusion_id | start_kind | end_kind  | running_hours | volume_ml
        e1          | start      | stopped   | 2             | 120
        e3          | start      | completed | 1             | 100
    """)


def test_ruling_19_power_off_and_patient_end_the_suspended_primary(rebuild: Rebuild) -> None:
    """After a switch-off the primary's start is a start."""
    out = rebuild("""
        at    | channel | kind             | fluid_source | entry      | rate_ml_h
        08:00 | A       | infusion_started | primary      | saline     | 60
        09:00 | A       | infusion_started | secondary    | antibiotic | 100
        10:00 |         | powered_off      |              |            |
        10:01 |         | powered_on       |              |            |
        10:05 | A       | infusion_started | primary      | saline     | 60
        11:05 | A       | infusion_stopped |              |            |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | end_kind    | ended_at | running_hours
        e1          |                       | start      | powered_off | 10:00    | 1
        e2          |                       | start      | powered_off | 10:00    | 1
        e5          |                       | start      | stopped     | 11:05    | 1
    """)


def test_ruling_20_between_a_stop_and_its_continuation_it_is_paused(rebuild: Rebuild) -> None:
    """The gap that a start bridges belongs to the infusion and has no running hours."""
    out = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        09:00 | infusion_stopped |
        09:10 | infusion_started | 60
        10:10 | infusion_stopped |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state   | volume_ml
        e1          | 08:00      | 09:00    | running | 60
        e1          | 09:00      | 09:10    | paused  | 0
        e1          | 09:10      | 10:10    | running | 60
    """)


@pytest.mark.parametrize(
    ("between", "kept_apart"),
    [
        ("care_area_selected | Ward |         |         |           |", "linked"),
        ("powered_off        |      |         |         |           |", "apart"),
        ("power_lost         |      |         |         |           |", "apart"),
        ("totals_cleared     |      |         |         |           |", "apart"),
        ("patient_changed    |      |         |         |           |", "apart"),
        ("key_pressed        |      |         |         |           |", "one"),
    ],
)
def test_ruling_30_what_keeps_a_start_apart_and_what_links_it(
    rebuild: Rebuild, between: str, kept_apart: str
) -> None:
    """Linked where only use, entry, concentration or area differ; never across patient, power or totals."""
    out = rebuild(f"""
        at    | channel | kind | care_area | entry | library_use | rate_ml_h | fluid_source
        08:00 | A | infusion_started   | ICU  | heparin | limited | 60        | primary
        09:00 | A | infusion_stopped   |      |         |         |           |
        09:02 |   | {between}
        09:05 | A | infusion_started   |      | heparin | limited | 60        | primary
        10:05 | A | infusion_stopped   |      |         |         |           |
    """)
    rows = [(i["infusion_id"], i["continues_infusion_id"]) for i in out.infusion_rows]
    wanted = {
        "one": [("e1", None)],
        "apart": [("e1", None), ("e4", None)],
        "linked": [("e1", None), ("e4", "e1")],
    }
    assert rows == wanted[kept_apart]


@pytest.mark.parametrize(
    ("start", "start_kind", "linked"),
    [
        ("heparin | 100 | limited        | primary | 09:10", None, None),
        ("insulin | 100 | limited        | primary | 09:10", "entry_changed", True),
        ("heparin | 50  | limited        | primary | 09:10", "concentration_changed", True),
        ("        |     | bypassed       | primary | 09:10", "left_library", True),
        ("insulin | 50  | limited        | primary | 09:10", "entry_changed", True),
        ("heparin | 100 | limited        | loading | 09:10", "start", False),
        ("insulin | 100 | limited        | primary | 09:15:01", "start", False),
    ],
)
def test_ruling_42_the_kinds_of_start(
    rebuild: Rebuild, start: str, start_kind: str | None, linked: bool
) -> None:
    """A start within the window is named after what differs; one outside it is a plain start."""
    *cells, at = start.split("|")
    out = rebuild(
        f"""
        at    | kind             | entry   | concentration_value | library_use | fluid_source | rate_ml_h
        08:00 | infusion_started | heparin | 100                 | limited     | primary      | 10
        09:00 | infusion_stopped |         |                     |             |              |
        {at}  | infusion_started | {"|".join(cells)}                                         | 10
        11:00 | infusion_stopped |         |                     |             |              |
    """.replace("concentration_value", "concentration_value")
    )
    rows = [(i["infusion_id"], i["start_kind"], i["continues_infusion_id"]) for i in out.infusion_rows]
    second = [] if start_kind is None else [("e3", start_kind, "e1" if linked else None)]
    assert rows == [("e1", "start", None), *second]
