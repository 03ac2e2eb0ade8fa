"""Drawn tables: what begins an infusion, and what proves that it runs."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.spec.drawn import Rebuilt

Rebuild = Callable[..., Rebuilt]


def test_ruling_01_a_start_while_running_ends_what_runs(rebuild: Rebuild) -> None:
    """Unbroken numbers lost nothing, so the old infusion ran up to the new start."""
    out = rebuild("""
        at    | channel | kind             | sequence | entry   | rate_ml_h
        08:00 | A       | infusion_started | 1        | heparin | 60
        08:40 |         | key_pressed      | 2        |         |
        09:00 | A       | infusion_started | 3        | insulin | 30
        10:00 | A       | infusion_stopped | 4        |         |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state   | entry   | volume_ml
        e1          | 08:00      | 09:00    | running | heparin | 60
        e3          | 09:00      | 10:00    | running | insulin | 30
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind    | end_kind   | ended_at | running_hours | uncertain
        e1          |                       | start         | superseded | 09:00    | 1             | no
        e3          | e1                    | entry_changed | stopped    | 10:00    | 1             | no
    """)


def test_ruling_01_across_a_gap_the_stop_is_missing(rebuild: Rebuild) -> None:
    """Where numbers are missing before the start, a stop may be among them."""
    out = rebuild("""
        at    | channel | kind             | sequence | entry   | rate_ml_h
        08:00 | A       | infusion_started | 1        | heparin | 60
        08:20 |         | key_pressed      | 2        |         |
        09:00 | A       | infusion_started | 5        | insulin | 30
        10:00 | A       | infusion_stopped | 6        |         |
    """)
    # It ran to the pump's last event before the gap: 20 min x 60 = 20 mL.
    out.segments("""
        infusion_id | started_at | ended_at | state   | volume_ml
        e1          | 08:00      | 08:20    | running | 20
        e1          | 08:20      | 09:00    | unknown |
        e3          | 09:00      | 10:00    | running | 30
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | end_kind     | ended_at | running_hours | uncertain
        e1          |                       | start      | stop_missing | 09:00    | 1/3           | yes
        e3          |                       | start      | stopped      | 10:00    | 1             | no
    """)


@pytest.mark.parametrize("entry", ["insulin", "heparin"])
def test_ruling_01_without_reliable_numbers_the_stop_is_missing(rebuild: Rebuild, entry: str) -> None:
    """Hours run to the last event of the channel that proves running; the same entry makes no difference."""
    out = rebuild(f"""
        at    | channel | kind             | entry   | rate_ml_h
        08:00 | A       | infusion_started | heparin | 60
        08:30 | A       | rate_changed     |         | 120
        08:45 |         | key_pressed      |         |
        09:00 | A       | infusion_started | {entry} | 30
        10:00 | A       | infusion_stopped |         |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state   | volume_ml
        e1          | 08:00      | 08:30    | running | 30
        e1          | 08:30      | 09:00    | unknown |
        e4          | 09:00      | 10:00    | running | 30
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | end_kind     | ended_at | running_hours | uncertain
        e1          |                       | start      | stop_missing | 09:00    | 0.5           | yes
        e4          |                       | start      | stopped      | 10:00    | 1             | no
    """)


def test_ruling_01_the_same_programme_started_while_running_is_a_rate_change(rebuild: Rebuild) -> None:
    """Nothing was lost and nothing differs: the start continues without a gap."""
    out = rebuild("""
        at    | kind             | sequence | entry   | rate_ml_h
        08:00 | infusion_started | 1        | heparin | 60
        09:00 | infusion_started | 2        | heparin | 30
        10:00 | infusion_stopped | 3        |         |
    """)
    out.infusions("""
        infusion_id | end_kind | running_hours | volume_ml | user_rate_changes | uncertain
        e1          | stopped  | 2             | 90        | 1                 | no
    """)


def test_ruling_01_the_volume_bound_holds_there_too(rebuild: Rebuild) -> None:
    """What was left to infuse bounds the hours before a start while running."""
    out = rebuild("""
        at    | kind             | sequence | entry   | rate_ml_h | volume_to_infuse_ml
        08:00 | infusion_started | 1        | heparin | 60        | 30
        09:00 | infusion_started | 2        | insulin | 30        |
        10:00 | infusion_stopped | 3        |         |           |
    """)
    # 30 mL at 60 mL/h last until 08:30.
    out.segments("""
        infusion_id | started_at | ended_at | state   | volume_ml
        e1          | 08:00      | 08:30    | running | 30
        e1          | 08:30      | 09:00    | unknown |
        e2          | 09:00      | 10:00    | running | 30
    """)
    out.infusions("""
        infusion_id | end_kind   | running_hours | uncertain
        e1          | superseded | 0.5           | yes
        e2          | stopped    | 1             | no
    """)


@pytest.mark.parametrize(
    ("row", "proven_hours"),
    [
        ("A | rate_changed       |     |          | ", "0.5"),
        ("A | programme_changed  |     |          | ", "0.5"),
        ("A | volume_reported    | 30  | infusion | ", "0.5"),
        ("A | other              |     |          | yes", "0.5"),
        ("A | volume_reported    | 0   | infusion | ", "0"),
        ("A | key_pressed        |     |          | ", "0"),
        ("A | alarm_silenced     |     |          | ", "0"),
        ("B | rate_changed       |     |          | ", "0"),
        ("  | power_source_changed |   |          | ", "0"),
    ],
)
def test_ruling_02_what_proves_running(rebuild: Rebuild, row: str, proven_hours: str) -> None:
    """Only an event of the channel itself that goes with delivery proves that it ran until then."""
    out = rebuild(f"""
        at    | channel | kind | volume_delivered_ml | volume_scope | running_logged | entry | rate_ml_h
        08:00 | A | infusion_started |     |          |    | heparin | 60
        08:30 | {row}                                      |         |
        09:00 | A | infusion_started |     |          |    | insulin | 60
        09:10 | A | infusion_stopped |     |          |    |         |
    """)
    found = [i for i in out.infusion_rows if i["infusion_id"] == "e1"]
    assert [(i["running_hours"], i["end_kind"]) for i in found] == [(float(proven_hours), "stop_missing")]


def test_ruling_03_a_log_that_begins_with_a_rate_change(rebuild: Rebuild) -> None:
    """A change with nothing open opens an infusion whose start is missing: its hours begin there."""
    out = rebuild("""
        at    | kind             | entry   | rate_ml_h
        08:00 | rate_changed     | heparin | 60
        09:00 | infusion_stopped |         |
    """)
    out.infusions("""
        infusion_id | started_at | start_kind | end_kind | entry   | running_hours | uncertain | false_start
        e1          | 08:00      | missing    | stopped  | heparin | 1             | yes       | no
    """)


@pytest.mark.parametrize(
    ("kind", "end_kind"), [("infusion_stopped", "stopped"), ("infusion_completed", "completed")]
)
def test_ruling_03_a_stop_or_completion_alone_has_no_hours(
    rebuild: Rebuild, kind: str, end_kind: str
) -> None:
    """Where the log begins with the end, the infusion is known and its hours are not."""
    out = rebuild(f"""
        at    | channel | kind        | entry
        08:00 | A       | {kind}      | heparin
        12:00 |         | key_pressed |
    """)
    out.segments("started_at | ended_at")
    out.infusions(f"""
        infusion_id | started_at | ended_at | start_kind | end_kind   | entry   | running_hours | uncertain
        e1          | 08:00      | 08:00    | missing    | {end_kind} | heparin | 0             | yes
    """)


def test_ruling_03_a_pause_alone_has_no_hours(rebuild: Rebuild) -> None:
    """A pause opens one that is paused; the resumption then continues it."""
    out = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_paused  |
        08:30 | infusion_resumed | 60
        09:30 | infusion_stopped |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state   | volume_ml
        e1          | 08:00      | 08:30    | paused  | 0
        e1          | 08:30      | 09:30    | running | 60
    """)
    out.infusions("""
        infusion_id | start_kind | end_kind | running_hours | volume_ml
        e1          | missing    | stopped  | 1             | 60
    """)


def test_ruling_03_a_log_that_begins_with_a_bolus(rebuild: Rebuild) -> None:
    """The bolus proves running; after it the channel runs at a rate that nobody logged."""
    out = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | bolus_started    | 300
        08:06 | bolus_ended      |
        08:30 | infusion_stopped |
    """)
    # 6 min at 300 mL/h = 30 mL; then 24 min without a known rate, so no total.
    out.segments("""
        infusion_id | started_at | ended_at | state   | rate_ml_h | volume_ml
        e1          | 08:00      | 08:06    | bolus   | 300       | 30
        e1          | 08:06      | 08:30    | running |           |
    """)
    out.infusions("""
        infusion_id | start_kind | running_hours | volume_ml | uncertain
        e1          | missing    | 0.5           |           | yes
    """)


def test_ruling_03_a_start_is_no_missing_start(rebuild: Rebuild) -> None:
    """A resumption that begins the log is read like a start; programming alone opens nothing."""
    out = rebuild("""
        at    | kind              | rate_ml_h
        07:50 | programme_changed | 60
        08:00 | infusion_resumed  |
        09:00 | infusion_stopped  |
    """)
    out.infusions("""
        infusion_id | start_kind | running_hours | volume_ml | uncertain
        e2          | start      | 1             | 60        | no
    """)


def test_ruling_04_a_patient_change_while_running_begins_another_infusion(rebuild: Rebuild) -> None:
    """No infusion spans two patients: what runs on belongs to the new one and is linked to nothing."""
    out = rebuild("""
        at    | channel | kind             | entry   | rate_ml_h | patient_key
        08:00 | A       | infusion_started | heparin | 60        | k1
        09:00 |         | patient_changed  |         |           | k2
        10:30 | A       | infusion_stopped |         |           |
    """)
    # 1 h x 60 for the first, 1.5 h x 60 = 90 mL for the second; its id is that of a pump-level event.
    out.segments("""
        infusion_id | started_at | ended_at | state   | rate_ml_h | volume_ml | patient_key
        e1          | 08:00      | 09:00    | running | 60        | 60        | k1
        e2:A        | 09:00      | 10:30    | running | 60        | 90        | k2
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind     | end_kind       | ended_at | entry   | volume_ml
        e1          |                       | start          | patient_change | 09:00    | heparin | 60
        e2:A        |                       | patient_change | stopped        | 10:30    | heparin | 90
    """)


def test_ruling_04_another_patient_on_any_event_is_a_change_there(rebuild: Rebuild) -> None:
    """A different key on a rate change ends the infusion at that moment; a missing key changes nothing."""
    out = rebuild("""
        at    | kind             | rate_ml_h | patient_key
        08:00 | infusion_started | 60        | k1
        08:30 | rate_changed     | 120       |
        09:00 | rate_changed     | 60        | k2
        10:00 | infusion_stopped |           |
    """)
    # 30 + 60 = 90 mL before, 60 mL after.
    out.infusions("""
        infusion_id | start_kind     | end_kind       | ended_at | volume_ml | user_rate_changes
        e1          | start          | patient_change | 09:00    | 90        | 1
        e3          | patient_change | stopped        | 10:00    | 60        | 0
    """)


def test_ruling_04_a_key_that_becomes_known_is_no_change(rebuild: Rebuild) -> None:
    """Null is not known: the first key seen changes no patient."""
    out = rebuild("""
        at    | kind             | rate_ml_h | patient_key
        08:00 | infusion_started | 60        |
        09:00 | volume_reported  |           | k1
        10:00 | infusion_stopped |           | k1
    """)
    out.infusions("""
        infusion_id | end_kind | running_hours | volume_ml
        e1          | stopped  | 2             | 120
    """)


def test_ruling_04_a_paused_infusion_ends_with_the_patient(rebuild: Rebuild) -> None:
    """Nothing runs, so nothing new begins; the next start continues nothing."""
    out = rebuild("""
        at    | channel | kind             | rate_ml_h
        08:00 | A       | infusion_started | 60
        08:30 | A       | infusion_paused  |
        08:40 |         | patient_changed  |
        08:50 | A       | infusion_resumed |
        09:20 | A       | infusion_stopped |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | end_kind       | ended_at | running_hours
        e1          |                       | start      | patient_change | 08:40    | 0.5
        e4          |                       | start      | stopped        | 09:20    | 0.5
    """)
