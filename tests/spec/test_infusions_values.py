"""Drawn tables: the values in force, and leaving the library or the entry midway."""

from __future__ import annotations

from collections.abc import Callable

from tests.spec.drawn import Rebuilt

Rebuild = Callable[..., Rebuilt]


def test_ruling_09_another_entry_midway_is_a_start_like_any_other(rebuild: Rebuild) -> None:
    """A change to another entry while running begins an infusion that is linked to the one before."""
    out = rebuild("""
        at    | kind             | library_use | entry   | rate_ml_h
        08:00 | infusion_started | limited     | heparin | 60
        09:00 | rate_changed     |             | insulin | 30
        10:00 | infusion_stopped |             |         |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind    | end_kind   | ended_at | entry   | volume_ml
        e1          |                       | start         | superseded | 09:00    | heparin | 60
        e2          | e1                    | entry_changed | stopped    | 10:00    | insulin | 30
    """)


def test_ruling_09_another_concentration_midway(rebuild: Rebuild) -> None:
    """Another concentration of the same entry is a new infusion too."""
    out = rebuild("""
        at    | kind              | entry   | concentration_value | concentration_unit | rate_ml_h
        08:00 | infusion_started  | heparin | 100                 | [IU]/mL            | 10
        09:00 | programme_changed |         | 50                  | [IU]/mL            | 20
        10:00 | infusion_stopped  |         |                     |                    |
    """)
    # 10 mL x 100 = 1000 units, then 20 mL x 50 = 1000 units.
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind            | end_kind   | amount | amount_unit | user_rate_changes
        e1          |                       | start                 | superseded | 1000   | [IU]        | 0
        e2          | e1                    | concentration_changed | stopped    | 1000   | [IU]        | 0
    """)


def test_ruling_10_a_bypass_with_a_rate_takes_effect_at_once(rebuild: Rebuild) -> None:
    """Leaving the library on a running channel begins an infusion with no entry, concentration or dose."""
    out = rebuild("""
        at    | kind             | library_use | entry   | concentration_value | concentration_unit | rate_ml_h
        08:00 | infusion_started | limited     | heparin | 100                 | [IU]/mL            | 10
        09:00 | library_bypassed |             |         |                     |                    | 50
        10:00 | infusion_stopped |             |         |                     |                    |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | library_use | entry   | rate_ml_h | volume_ml | amount | amount_unit
        e1          | 08:00      | 09:00    | limited     | heparin | 10        | 10        | 1000   | [IU]
        e2          | 09:00      | 10:00    | bypassed    |         | 50        | 50        |        |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind   | end_kind   | library_use | entry
        e1          |                       | start        | superseded | limited     | heparin
        e2          | e1                    | left_library | stopped    | bypassed    |
    """)


def test_ruling_10_a_bypass_without_a_rate_waits_for_the_next_change(rebuild: Rebuild) -> None:
    """On a running channel without a rate it sets the library use of the next confirmed change."""
    out = rebuild("""
        at    | kind             | library_use | entry   | rate_ml_h
        08:00 | infusion_started | limited     | heparin | 10
        09:00 | library_bypassed |             |         |
        09:30 | rate_changed     |             |         | 50
        10:00 | infusion_stopped |             |         |
    """)
    # Inside the library to 09:30: 1.5 h x 10 = 15 mL; then 0.5 h x 50 = 25 mL.
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind   | ended_at | library_use | entry   | volume_ml
        e1          |                       | start        | 09:30    | limited     | heparin | 15
        e3          | e1                    | left_library | 10:00    | bypassed    |         | 25
    """)


def test_ruling_10_a_bypass_on_a_channel_that_does_not_run(rebuild: Rebuild) -> None:
    """There it sets the library use of the next start, and clears what the library had set."""
    out = rebuild("""
        at    | kind             | library_use | entry   | rate_ml_h
        08:00 | infusion_started | limited     | heparin | 10
        09:00 | infusion_stopped |             |         |
        09:05 | library_bypassed |             |         |
        09:10 | infusion_started |             |         | 50
        10:10 | infusion_stopped |             |         |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind   | end_kind | library_use | entry   | volume_ml
        e1          |                       | start        | stopped  | limited     | heparin | 10
        e4          | e1                    | left_library | stopped  | bypassed    |         | 50
    """)


def test_ruling_13_null_leaves_the_value_in_force(rebuild: Rebuild) -> None:
    """What a row does not log stays as it was and makes nothing differ."""
    out = rebuild("""
        at    | kind             | care_area | library_use | entry   | rate_ml_h | weight_kg
        08:00 | infusion_started | ICU       | limited     | heparin | 60        | 70
        09:00 | infusion_stopped |           |             |         |           |
        09:10 | infusion_started |           |             |         |           |
        10:10 | infusion_stopped |           |             |         |           |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state   | care_area | library_use | entry   | rate_ml_h | weight_kg
        e1          | 08:00      | 09:00    | running | ICU       | limited     | heparin | 60        | 70
        e1          | 09:00      | 09:10    | paused  | ICU       | limited     | heparin | *         | 70
        e1          | 09:10      | 10:10    | running | ICU       | limited     | heparin | 60        | 70
    """)


def test_ruling_13_the_other_library_use_clears_the_entry(rebuild: Rebuild) -> None:
    """A start outside the library carries no entry, concentration or dose from inside it."""
    out = rebuild("""
        at    | kind             | library_use | entry   | concentration_value | concentration_unit | rate_ml_h
        08:00 | infusion_started | limited     | heparin | 100                 | [IU]/mL            | 10
        09:00 | infusion_stopped |             |         |                     |                    |
        09:10 | infusion_started | bypassed    |         |                     |                    | 20
        10:10 | infusion_stopped |             |         |                     |                    |
        10:20 | infusion_started | limited     | insulin |                     |                    | 5
        11:20 | infusion_stopped |             |         |                     |                    |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind      | library_use | entry   | concentration_value | amount
        e1          |                       | start           | limited     | heparin | 100                 | 1000
        e3          | e1                    | left_library    | bypassed    |         |                     |
        e5          | e3                    | entered_library | limited     | insulin |                     |
    """)


def test_ruling_13_a_power_off_clears_programme_weight_and_area(rebuild: Rebuild) -> None:
    """After switching off, entry, concentration, dose, weight and care area are gone; the patient stays."""
    out = rebuild("""
        at    | channel | kind             | care_area | entry   | rate_ml_h | weight_kg | patient_key
        08:00 | A       | infusion_started | ICU       | heparin | 60        | 70        | k1
        09:00 |         | powered_off      |           |         |           |           |
        09:01 |         | powered_on       |           |         |           |           |
        09:05 | A       | infusion_started |           |         | 30        |           |
        10:05 | A       | infusion_stopped |           |         |           |           |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | care_area | entry   | weight_kg | patient_key
        e1          | 08:00      | 09:00    | ICU       | heparin | 70        | k1
        e4          | 09:05      | 10:05    |           |         |           | k1
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | end_kind
        e1          |                       | start      | powered_off
        e4          |                       | start      | stopped
    """)


def test_ruling_13_a_unit_without_its_value_is_no_concentration_and_no_dose(rebuild: Rebuild) -> None:
    """A mapping may name the unit of each row; where no value is logged, none holds, on a first row as on any."""
    out = rebuild("""
        at    | kind             | library_use | entry   | concentration_unit | dose_unit | rate_ml_h
        08:00 | infusion_started | limited     | heparin | mg/mL              | mg/h      | 60
        09:00 | rate_changed     | bypassed    | insulin | mg/mL              | mg/h      | 30
        10:00 | infusion_stopped |             |         |                    |           |
    """)
    out.segments("""
        started_at | concentration_value | concentration_unit | dose_value | dose_unit
        08:00      |                     |                    |            |
        09:00      |                     |                    |            |
    """)
    out.infusions("""
        infusion_id | concentration_value | concentration_unit
        e1          |                     |
        e2          |                     |
    """)
