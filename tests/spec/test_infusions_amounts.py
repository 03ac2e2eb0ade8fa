"""Drawn tables: millilitres, amounts of drug, and the pump's own totals."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.spec.drawn import Rebuilt

Rebuild = Callable[..., Rebuilt]


def test_amounts_volume_times_concentration(rebuild: Rebuild) -> None:
    """Where volume and concentration are known, the drug is their product, in the concentration's unit."""
    out = rebuild("""
        at    | kind             | concentration_value | concentration_unit | rate_ml_h
        08:00 | infusion_started | 1600                | ug/mL              | 15
        08:20 | rate_changed     |                     |                    | 30
        09:20 | infusion_stopped |                     |                    |
    """)
    # 20 min x 15 = 5 mL, 1 h x 30 = 30 mL; 5 x 1600 = 8000 and 30 x 1600 = 48000 micrograms.
    out.segments("""
        started_at | ended_at | rate_ml_h | volume_ml | amount | amount_unit
        08:00      | 08:20    | 15        | 5         | 8000   | ug
        08:20      | 09:20    | 30        | 30        | 48000  | ug
    """)
    out.infusions("""
        volume_ml | amount | amount_unit | running_hours
        35        | 56000  | ug          | 4/3
    """)


def test_amounts_the_integral_of_the_dose_rate(rebuild: Rebuild) -> None:
    """Without a concentration the dose rate is integrated, times the weight where the unit is per kilogram."""
    out = rebuild("""
        at    | kind             | dose_value | dose_unit | weight_kg | rate_ml_h
        08:00 | infusion_started | 5          | ug/kg/min | 80        | 15
        09:00 | rate_changed     | 10         | ug/kg/min |           | 30
        09:30 | infusion_stopped |            |           |           |
    """)
    # 5 x 80 x 60 min = 24000; 10 x 80 x 30 min = 24000 micrograms; 15 + 15 mL.
    out.segments("""
        started_at | ended_at | volume_ml | amount | amount_unit
        08:00      | 09:00    | 15        | 24000  | ug
        09:00      | 09:30    | 15        | 24000  | ug
    """)
    out.infusions("""
        volume_ml | amount | amount_unit
        30        | 48000  | ug
    """)


def test_amounts_international_units_stay_what_they_are(rebuild: Rebuild) -> None:
    """Units per litre times millilitres give units; nothing turns them into a mass."""
    out = rebuild("""
        at    | kind             | concentration_value | concentration_unit | rate_ml_h
        08:00 | infusion_started | 50000               | [IU]/L             | 10
        09:00 | infusion_stopped |                     |                    |
    """)
    # 10 mL of 50 units/mL.
    out.infusions("""
        volume_ml | amount | amount_unit
        10        | 500    | [IU]
    """)


def test_ruling_26_an_undeclared_bolus_replaces_the_basal_rate(rebuild: Rebuild) -> None:
    """Its own segment carries the total rate, and afterwards the basal rate goes on."""
    out = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        08:30 | bolus_started    | 600
        08:33 | bolus_ended      |
        09:00 | infusion_stopped |
    """)
    # 30 mL, 3 min x 600 = 30 mL, 27 min x 60 = 27 mL.
    out.segments("""
        started_at | ended_at | state   | rate_ml_h | volume_ml
        08:00      | 08:30    | running | 60        | 30
        08:30      | 08:33    | bolus   | 600       | 30
        08:33      | 09:00    | running | 60        | 27
    """)
    out.infusions("""
        infusion_id | running_hours | volume_ml | user_rate_changes
        e1          | 1             | 87        | 0
    """)


def test_ruling_26_a_bolus_declared_to_add(rebuild: Rebuild) -> None:
    """Declared so, the bolus runs on top of the basal rate."""
    out = rebuild("""
        at    | kind             | rate_ml_h | bolus_adds_to_basal
        08:00 | infusion_started | 60        |
        08:30 | bolus_started    | 600       | yes
        08:33 | bolus_ended      |           |
        09:00 | infusion_stopped |           |
    """)
    # 3 min x 660 = 33 mL.
    out.segments("""
        started_at | ended_at | state   | rate_ml_h | volume_ml
        08:00      | 08:30    | running | 60        | 30
        08:30      | 08:33    | bolus   | 660       | 33
        08:33      | 09:00    | running | 60        | 27
    """)


@pytest.mark.parametrize("kind", ["infusion_stopped", "infusion_paused"])
def test_ruling_26_a_stop_or_pause_ends_the_bolus(rebuild: Rebuild, kind: str) -> None:
    """After it neither bolus nor basal rate runs."""
    out = rebuild(f"""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        08:30 | bolus_started    | 600
        08:33 | {kind}           |
        08:40 | infusion_resumed |
        09:10 | infusion_stopped |
    """)
    out.segments("""
        infusion_id | started_at | ended_at | state   | rate_ml_h | volume_ml
        e1          | 08:00      | 08:30    | running | 60        | 30
        e1          | 08:30      | 08:33    | bolus   | 600       | 30
        e1          | 08:33      | 08:40    | paused  | *         | 0
        e1          | 08:40      | 09:10    | running | 60        | 30
    """)


def test_ruling_27_a_new_weight_leaves_the_rate(rebuild: Rebuild) -> None:
    """A weight entered while running splits the segment; the rate stays unless the event carries another."""
    out = rebuild("""
        at    | kind             | concentration_value | concentration_unit | dose_value | dose_unit | weight_kg
        08:00 | infusion_started | 1.6                 | mg/mL              | 5          | ug/kg/min | 80
        09:00 | weight_changed   |                     |                    |            |           | 40
        10:00 | infusion_stopped |                     |                    |            |           |
    """)
    # 5 x 80 x 60 / 1600 = 15 mL/h, and it stays 15 mL/h.
    out.segments("""
        started_at | ended_at | weight_kg | rate_ml_h | volume_ml | amount | amount_unit
        08:00      | 09:00    | 80        | 15        | 15        | 24     | mg
        09:00      | 10:00    | 40        | 15        | 15        | 24     | mg
    """)


def test_ruling_28_a_counter_since_cleared(rebuild: Rebuild) -> None:
    """The pump's own total is the last reading less the first one within the infusion."""
    out = rebuild("""
        at    | kind             | rate_ml_h | volume_delivered_ml | volume_scope
        08:00 | infusion_started | 60        | 500                 | since_cleared
        08:30 | volume_reported  |           | 529                 | since_cleared
        09:00 | infusion_stopped |           | 558                 | since_cleared
    """)
    # 558 - 500 = 58 beside the computed 60 mL: the difference is shown, not hidden.
    out.infusions("""
        infusion_id | volume_ml | volume_reported_ml
        e1          | 60        | 58
    """)


def test_ruling_28_a_clear_in_between_adds_the_parts(rebuild: Rebuild) -> None:
    """A cleared counter begins again at 0; what it showed before is added."""
    out = rebuild("""
        at    | kind             | rate_ml_h | volume_delivered_ml | volume_scope
        08:00 | infusion_started | 60        | 500                 | since_cleared
        08:30 | volume_reported  |           | 530                 | since_cleared
        08:30 | totals_cleared   |           |                     |
        09:00 | infusion_stopped |           | 29                  | since_cleared
    """)
    # (530 - 500) + 29 = 59.
    out.infusions("""
        infusion_id | volume_ml | volume_reported_ml
        e1          | 60        | 59
    """)


@pytest.mark.parametrize(
    ("scope", "anew", "total"),
    [
        # 500, 530, then 5 with nothing logged between: what it showed when it began anew nobody knows
        ("since_cleared", "alarm_silenced", ""),
        ("infusion", "alarm_silenced", ""),
        ("segment", "alarm_silenced", ""),
        # a clear is logged: 530 - 500 and 5 - 0, and 10 more; of an infusion's own count 530 + 15
        ("since_cleared", "totals_cleared", "45"),
        ("infusion", "totals_cleared", "545"),
        # a stretch of its own counts anew by itself: 530 + 15; an infusion's own count does not at a change
        ("segment", "rate_changed", "545"),
        ("infusion", "rate_changed", ""),
        ("since_cleared", "rate_changed", ""),
    ],
)
def test_ruling_28_a_counter_that_fell_with_no_clear_has_no_total(
    rebuild: Rebuild, scope: str, anew: str, total: str
) -> None:
    """A reset is an event, not a difference: without it the pump's own total is not known, and not one too small."""
    out = rebuild(f"""
        at    | kind             | rate_ml_h | volume_delivered_ml | volume_scope
        08:00 | infusion_started | 60        | 500                 | {scope}
        08:30 | volume_reported  |           | 530                 | {scope}
        08:30 | {anew}           |           |                     |
        08:35 | volume_reported  |           | 5                   | {scope}
        08:45 | infusion_stopped |           | 15                  | {scope}
    """)
    out.infusions(f"""
        infusion_id | volume_ml | volume_reported_ml
        e1          | 45        | {total}
    """)


def test_ruling_28_a_fall_after_a_clear_has_no_total_either(rebuild: Rebuild) -> None:
    """The part after the clear fell to nothing by itself; that it ended at 0 is no sign of a false start."""
    out = rebuild("""
        at    | kind             | rate_ml_h | volume_delivered_ml | volume_scope
        08:00 | infusion_started | 60        | 0                   | since_cleared
        08:30 | totals_cleared   |           |                     |
        08:40 | volume_reported  |           | 10                  | since_cleared
        09:00 | infusion_stopped |           | 0                   | since_cleared
    """)
    out.infusions("""
        infusion_id | volume_ml | volume_reported_ml | false_start
        e1          | 60        |                    | no
    """)


def test_ruling_28_one_reading_tells_nothing(rebuild: Rebuild) -> None:
    """With fewer than two readings of a since-cleared counter there is no total."""
    out = rebuild("""
        at    | kind             | rate_ml_h | volume_delivered_ml | volume_scope
        08:00 | infusion_started | 60        |                     |
        09:00 | infusion_stopped |           | 558                 | since_cleared
    """)
    out.infusions("""
        infusion_id | volume_reported_ml
        e1          |
    """)


def test_amounts_a_volume_of_the_infusion_is_its_last_reading(rebuild: Rebuild) -> None:
    """A counter that belongs to the infusion says its total itself."""
    out = rebuild("""
        at    | kind             | rate_ml_h | volume_delivered_ml | volume_scope
        08:00 | infusion_started | 60        | 0                   | infusion
        08:30 | volume_reported  |           | 29                  | infusion
        09:00 | infusion_stopped |           | 58                  | infusion
    """)
    out.infusions("""
        infusion_id | volume_reported_ml
        e1          | 58
    """)


def test_amounts_volumes_of_segments_add_up(rebuild: Rebuild) -> None:
    """A counter that begins again with each start adds up over the continuation."""
    out = rebuild("""
        at    | kind             | rate_ml_h | volume_delivered_ml | volume_scope
        08:00 | infusion_started | 60        | 0                   | segment
        09:00 | infusion_stopped |           | 58                  | segment
        09:00 | infusion_started | 30        | 0                   | segment
        10:00 | infusion_stopped |           | 29                  | segment
    """)
    out.infusions("""
        infusion_id | volume_ml | volume_reported_ml
        e1          | 90        | 87
    """)


def test_ruling_29_keep_open_and_priming_stand_beside(rebuild: Rebuild) -> None:
    """The volume is without keep-open and priming; the keep-open volume stands beside it."""
    out = rebuild("""
        at    | kind               | rate_ml_h
        08:00 | infusion_started   | 60
        08:30 | infusion_paused    |
        08:40 | priming_started    | 600
        08:41 | priming_ended      |
        08:50 | infusion_resumed   |
        09:20 | infusion_completed |
        09:20 | kvo_started        | 6
        09:50 | infusion_stopped   |
    """)
    # 30 + 30 mL; 30 min x 6 = 3 mL kept apart.
    out.segments("""
        started_at | ended_at | state     | volume_ml
        08:00      | 08:30    | running   | 30
        08:30      | 08:40    | paused    | 0
        08:40      | 08:41    | priming   | *
        08:41      | 08:50    | paused    | 0
        08:50      | 09:20    | running   | 30
        09:20      | 09:50    | keep_open | 3
    """)
    out.infusions("""
        infusion_id | running_hours | volume_ml | volume_keep_open_ml
        e1          | 1             | 60        | 3
    """)


def test_ruling_46_a_rate_of_zero_is_a_pause(rebuild: Rebuild) -> None:
    """Running at 0 is paused; back above 0 is a resumption and no user rate change."""
    out = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        08:30 | rate_changed     | 0
        09:00 | rate_changed     | 120
        09:30 | infusion_stopped |
    """)
    out.segments("""
        started_at | ended_at | state   | volume_ml
        08:00      | 08:30    | running | 30
        08:30      | 09:00    | paused  | 0
        09:00      | 09:30    | running | 60
    """)
    out.infusions("""
        infusion_id | running_hours | volume_ml | user_rate_changes | uncertain
        e1          | 1             | 90        | 0                 | no
    """)


def test_ruling_51_the_rate_follows_from_the_dose(rebuild: Rebuild) -> None:
    """Where dose, concentration and weight are known, the rate follows from them."""
    out = rebuild("""
        at    | kind             | dose_value | dose_unit | weight_kg | concentration_value | concentration_unit
        08:00 | infusion_started | 5          | ug/kg/min | 95        | 800                 | ug/mL
        09:00 | rate_changed     | 10         | ug/kg/min |           |                     |
        10:00 | infusion_stopped |            |           |           |                     |
    """)
    # 5 x 95 x 60 / 800 = 35.625 mL/h (reference values 7, no. 1); twice that for twice the dose.
    out.segments("""
        started_at | ended_at | rate_ml_h | volume_ml | amount | amount_unit
        08:00      | 09:00    | 35.625    | 35.625    | 28500  | ug
        09:00      | 10:00    | 71.25     | 71.25     | 57000  | ug
    """)
    out.infusions("""
        infusion_id | running_hours | volume_ml | user_rate_changes
        e1          | 2             | 106.875   | 1
    """)


@pytest.mark.parametrize(("weight", "concentration"), [("", "800"), ("95", "")])
def test_ruling_51_without_weight_or_concentration_the_volume_is_unknown(
    rebuild: Rebuild, weight: str, concentration: str
) -> None:
    """Hours count; the volume is null, not 0."""
    out = rebuild(f"""
        at    | kind             | dose_value | dose_unit | weight_kg | concentration_value | concentration_unit
        08:00 | infusion_started | 5          | ug/kg/min | {weight}  | {concentration}     | ug/mL
        09:00 | infusion_stopped |            |           |           |                     |
    """)
    out.infusions("""
        infusion_id | running_hours | volume_ml | false_start
        e1          | 1             |           | no
    """)
