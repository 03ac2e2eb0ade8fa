"""What a pump's log can show is what all of its sources can: infusions from one, limit alerts from another."""

from __future__ import annotations

from typing import Any

from tests.measure_samples import Figures, cell, site, store

LOW: dict[str, Any] = {"minimums": {"starts": 1, "infusions": 1, "channel_hours": 0.001}}
DELIVERY = '["infusion_started", "rate_changed", "infusion_stopped"]'
WARNINGS = (
    '["limit_alerted", "limit_overridden", "alarm_raised", "alarm_cleared", "powered_on", "powered_off"]'
)
INGESTS = [
    {"source_name": "delivery", "records_json": DELIVERY},
    {"source_name": "warnings", "source_file_sha256": "g", "records_json": WARNINGS},
]
#: P1 is told of by both; P2 by `delivery` alone.
DRAWN: dict[str, Any] = {
    "ingests": INGESTS,
    "events": """
        | event_id | pump_id | source_name | kind             | channel | occurred_at      | alarm_kind |
        | d1       | P1      | delivery    | infusion_started | A       | 2026-10-05 08:00 | -          |
        | d2       | P1      | delivery    | infusion_stopped | A       | 2026-10-05 10:00 | -          |
        | d3       | P2      | delivery    | infusion_started | A       | 2026-10-05 08:00 | -          |
        | w0       | P1      | warnings    | powered_on       | ()      | 2026-10-05 07:00 | -          |
        | w1       | P1      | warnings    | limit_alerted    | A       | 2026-10-05 07:59 | -          |
        | w2       | P1      | warnings    | limit_overridden | A       | 2026-10-05 08:00 | -          |
        | w3       | P1      | warnings    | alarm_raised     | A       | 2026-10-05 09:00 | occlusion  |
        | w4       | P1      | warnings    | alarm_cleared    | A       | 2026-10-05 09:06 | occlusion  |
        | w5       | P1      | warnings    | powered_off      | ()      | 2026-10-05 11:00 | -          |
    """,
    "infusions": """
        | infusion_id | pump_id | source_name | ended_at         |
        | d1          | P1      | delivery    | 2026-10-05 10:00 |
        | d3          | P2      | delivery    | 2026-10-05 10:00 |
    """,
    "segments": """
        | infusion_id | pump_id | ended_at         |
        | d1          | P1      | 2026-10-05 10:00 |
        | d3          | P2      | 2026-10-05 10:00 |
    """,
    "programmings": """
        | programming_id | infusion_id | pump_id | source_name | attempt_id |
        | d1             | d1          | P1      | delivery    | w1         |
        | d3             | d3          | P2      | delivery    | -          |
    """,
    "attempts": "| attempt_id | infusion_id | source_name |\n| w1 | d1 | warnings |",
    "alarms": """
        | alarm_id | infusion_id | source_name | raised_at        | cleared_at       | ended_at         |
        | w3       | d1          | warnings    | 2026-10-05 09:00 | 2026-10-05 09:06 | 2026-10-05 09:06 |
    """,
}


def measured(
    *,
    by: tuple[str, ...] = ("care_area",),
    rules: tuple[Any, ...] = (),
    months: tuple[str, ...] = (),
    **drawn: Any,
) -> Figures:
    own = site(**LOW, precedence=list(rules))
    return Figures(store(**{**DRAWN, **drawn}), own, months or ["2026-10"], by)


def told(found: Figures, measure: str, **groups: str) -> tuple[str, float | None, float | None]:
    row = cell(found, measure, **groups)
    counts = [None if row[name] is None else float(row[name]) for name in ("numerator", "denominator")]
    return row["status"].replace("provisional", "ok"), *counts


def test_warnings_of_one_source_are_of_the_programmings_of_the_other() -> None:
    """P1 had one programming, with a soft alert that was overridden; P2 cannot log alerts and dilutes nothing."""
    found = measured()
    icu = {"care_area": "icu"}
    assert told(found, "soft_alert_share", **icu) == ("ok", 1, 1)
    assert told(found, "override_share", **icu) == ("ok", 1, 1)
    assert told(found, "infusion_override_share", **icu) == ("ok", 1, 1)
    assert told(found, "soft_alerts_per_100_infusions", **icu) == ("ok", 1, 1)
    assert "(50.0 %)" in cell(found, "soft_alert_share", care_area="icu")["reason"]


def test_alarms_of_one_source_are_over_the_hours_of_the_other() -> None:
    """One occlusion in two running hours; six minutes of alarm in the four hours from 07:00 to 11:00."""
    found = measured()
    assert told(found, "delivery_alarm_rate", care_area="icu") == ("ok", 1, 2)
    assert told(found, "alarm_minutes", care_area="") == ("ok", 6, 4)
    assert told(found, "pump_alarm_rate", care_area="") == ("ok", 0, 4)


def test_what_both_sources_told_stands_under_both_names() -> None:
    found = measured(by=("source",))
    assert told(found, "soft_alert_share", source="delivery + warnings")[1:] == (1, 1)
    assert told(found, "soft_alert_share", source="delivery")[0] == "not_measurable"
    assert told(found, "library_use_starts", source="delivery + warnings")[1:] == (1, 1)
    assert told(found, "uncertain_share", source="delivery")[1:] == (0, 2)


def test_before_a_source_told_of_a_pump_it_is_none_of_its_sources() -> None:
    """In September only `delivery` was heard: that nobody overrode anything is not known, and not nought."""
    september = "| infusion_id | pump_id | source_name | started_at | ended_at |\n" + (
        "| s1 | P1 | delivery | 2026-09-05 08:00 | 2026-09-05 10:00 |"
    )
    found = measured(
        months=("2026-09", "2026-10"),
        infusions=september,
        segments="| infusion_id | started_at | ended_at |\n| s1 | 2026-09-05 08:00 | 2026-09-05 10:00 |",
        programmings="| programming_id | infusion_id | source_name | at |\n"
        "| s1 | s1 | delivery | 2026-09-05 08:00 |",
        attempts="",
    )
    assert told(found, "soft_alert_share", care_area="icu", month="2026-09")[0] == "not_measurable"
    assert told(found, "delivery_alarm_rate", care_area="icu", month="2026-09")[0] == "not_measurable"


def test_a_source_that_had_nothing_to_say_of_a_pump_this_month_is_still_one_of_its_sources() -> None:
    """The warnings of P1 are in October, in November P2 alone has one: P1's programming without is no silence."""
    events = DRAWN["events"] + "| w6 | P2 | warnings | limit_alerted | A | 2026-11-03 08:00 | - |"
    found = measured(
        months=("2026-11",),
        events=events + "\n| d9 | P1 | delivery | infusion_started | A | 2026-11-05 08:00 | - |",
        programmings="| programming_id | infusion_id | pump_id | source_name | attempt_id | at |\n"
        "| d9 | - | P1 | delivery | - | 2026-11-05 08:00 |",
        attempts="",
    )
    assert told(found, "soft_alert_share", care_area="icu")[1:] == (0, 1)


def test_a_source_whose_word_does_not_count_gives_its_pump_nothing() -> None:
    """Where `delivery` is to count for limit alerts, nobody who counts can log them."""
    rule = {"counts": "delivery", "kinds": ["limit_alerted", "limit_overridden"]}
    found = measured(rules=(rule,))
    assert told(found, "soft_alert_share", care_area="icu")[0] == "not_measurable"
    assert told(found, "delivery_alarm_rate", care_area="icu") == ("ok", 1, 2)


def test_a_rule_for_one_pump_is_kept_of_all_pumps_of_the_same_sources() -> None:
    """Both pumps have both sources; of P2 the alerts do not count, so the sources together cannot show them."""
    events = DRAWN["events"] + "| w6 | P2 | warnings | limit_alerted | A | 2026-10-03 08:00 | - |"
    rule = {"counts": "delivery", "kinds": ["limit_alerted", "limit_overridden"], "pumps": ["P2"]}
    assert told(measured(events=events), "soft_alert_share", care_area="icu") == ("ok", 1, 2)
    found = measured(events=events, rules=(rule,))
    assert told(found, "soft_alert_share", care_area="icu")[0] == "not_measurable"


def test_alarms_whose_own_source_cannot_log_clearing_have_no_burden() -> None:
    """Ruling 12 speaks of a source: raises of one are not paired with clearings of another."""
    raising = '["infusion_started", "alarm_raised", "powered_on", "powered_off"]'
    found = measured(
        ingests=[{**INGESTS[0], "records_json": raising}, INGESTS[1]],
        alarms="| alarm_id | source_name | raised_at | cleared_at | ended_at |\n"
        "| d9 | delivery | 2026-10-05 09:00 | - | - |",
    )
    assert told(found, "alarm_minutes", care_area="")[0] == "not_measurable"
    assert told(found, "alarm_time_to_clear", care_area="icu")[0] == "not_measurable"
    assert told(found, "delivery_alarm_rate", care_area="icu")[1] == 1
