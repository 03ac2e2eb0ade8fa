"""Every measure is declared whole."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields

import pytest

from dripledger.measures import DEFINITIONS_VERSION, GROUPS, MEASURES, ROWS, Direction, IntervalKind, Least
from dripledger.measures.alarm_definitions import DELIVERY_ALARMS, PUMP_ALARMS
from dripledger.measures.facts import SOURCES
from dripledger.schema import EVENT_KINDS
from dripledger.schema.codes import ALARM_KINDS, OUTCOMES

TABLE = [
    "library_use_starts", "library_use_hours", "protected_share", "soft_alert_share",
    "hard_alert_share", "soft_alerts_per_100_infusions", "hard_alerts_per_100_infusions",
    "outcomes_soft", "outcomes_hard", "override_share", "infusion_override_share",
    "override_repeat_share", "alarm_minutes", "left_library_share", "far_overrides",
    "override_under_3s_share", "delivery_alarm_rate", "pump_alarm_rate", "alarm_time_to_clear",
    "alarm_time_to_first_response", "delivery_lost", "user_rate_changes", "stale_library_share",
    "fleet_coverage", "log_completeness", "unmapped_share", "quarantine_share",
    "clock_corrected_share", "uncertain_share", "order_driven_share",
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
    assert {*measure.needs, *measure.needs_any} <= set(EVENT_KINDS)
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


def test_rows_have_names_of_their_own_and_each_calculated_measure_has_facts() -> None:
    names = [name for measure in MEASURES.values() for name in measure.rows]
    assert len(names) == len(set(names)) == len(ROWS)
    assert set(SOURCES) == {m.id for m in MEASURES.values() if m.built}


def test_outcomes_have_six_parts_and_no_whole() -> None:
    for kind in ("soft", "hard"):
        assert list(MEASURES[f"outcomes_{kind}"].rows) == [
            f"outcomes_{kind}_{outcome}" for outcome in OUTCOMES
        ]


def test_every_kind_of_alarm_is_of_delivery_or_of_the_pump_or_neither() -> None:
    """Ruling 43."""
    assert {*DELIVERY_ALARMS, *PUMP_ALARMS} == set(ALARM_KINDS) - {"limit_alert", "other"}
    assert not set(DELIVERY_ALARMS) & set(PUMP_ALARMS)


def test_what_comes_in_bursts_is_clustered() -> None:
    for name in ("soft_alert_share", "hard_alert_share"):
        assert MEASURES[name].interval is IntervalKind.CLUSTERED
    for name in ("soft_alerts_per_100_infusions", "delivery_alarm_rate", "pump_alarm_rate", "delivery_lost"):
        assert MEASURES[name].interval is IntervalKind.CLUSTERED_RATE


def test_hours_are_clustered_and_starts_are_not() -> None:
    assert MEASURES["library_use_hours"].interval is IntervalKind.CLUSTERED
    assert MEASURES["library_use_starts"].interval is IntervalKind.WILSON
