"""Every measure is declared whole."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields

import pytest

from dripledger.measures import DEFINITIONS_VERSION, GROUPS, MEASURES, Direction, IntervalKind, Least
from dripledger.schema import EVENT_KINDS

TABLE = [
    "library_use_starts", "library_use_hours", "protected_share", "soft_alert_share",
    "hard_alert_share", "outcomes_soft", "outcomes_hard", "override_share", "infusion_override_share",
    "left_library_share", "far_overrides", "override_under_3s_share", "delivery_alarm_rate",
    "pump_alarm_rate", "alarm_time_to_clear", "alarm_time_to_first_response", "delivery_lost",
    "user_rate_changes", "stale_library_share", "fleet_coverage", "log_completeness", "unmapped_share",
    "quarantine_share", "clock_corrected_share", "uncertain_share", "order_driven_share",
]  # fmt: skip


def test_every_measure_of_the_table_is_declared() -> None:
    assert set(MEASURES) == set(TABLE)
    assert DEFINITIONS_VERSION


@pytest.mark.parametrize("name", TABLE)
def test_a_definition_leaves_nothing_open(name: str) -> None:
    measure = MEASURES[name]
    assert measure.id == name
    for field in fields(measure):
        if field.type == "str":
            assert getattr(measure, field.name).strip(), field.name
    assert measure.question.endswith("?")
    assert set(measure.needs) <= set(EVENT_KINDS)
    assert set(measure.groups) <= set(GROUPS)
    with pytest.raises(FrozenInstanceError):
        measure.title = ""  # type: ignore[misc]


def test_override_share_has_no_good_direction_and_no_target() -> None:
    assert MEASURES["override_share"].direction is Direction.NONE


def test_counts_of_a_whole_have_no_interval_and_no_minimum() -> None:
    for name in (
        "unmapped_share",
        "quarantine_share",
        "clock_corrected_share",
        "uncertain_share",
        "fleet_coverage",
    ):
        assert MEASURES[name].interval is IntervalKind.NONE
        assert MEASURES[name].least is Least.NONE


def test_hours_are_clustered_and_starts_are_not() -> None:
    assert MEASURES["library_use_hours"].interval is IntervalKind.CLUSTERED
    assert MEASURES["library_use_starts"].interval is IntervalKind.WILSON
