"""Alarms and what they cost: small stores, the arithmetic beside each."""

from __future__ import annotations

from typing import Any

import pytest
from tests.measure_samples import Figures, cell, cells, site, store

from dripledger.statistics.rates import clustered_rate
from dripledger.statistics.survival import survival_quantile

LOW = {"minimums": {"starts": 1, "infusions": 1, "channel_hours": 0.001}}
OCTOBER = ["2026-10"]


def measured(by: tuple[str, ...] = ("care_area",), own: Any = None, **drawn: Any) -> Figures:
    return Figures(store(**drawn), own or site(**LOW), OCTOBER, by)


def counts(row: dict[str, Any]) -> tuple[float, float]:
    return float(row["numerator"]), float(row["denominator"])


def icu(found: Figures, measure: str) -> tuple[float, float]:
    return counts(cell(found, measure, care_area="icu"))


def whole(found: Figures, measure: str) -> tuple[float, float]:
    return counts(cell(found, measure, care_area=""))


STATES = {
    "infusions": "| infusion_id |\n| i1 |",
    "segments": """
        | infusion_id | state     | started_at       | ended_at         |
        | i1          | running   | 2026-10-05 08:00 | 2026-10-05 09:00 |
        | i1          | bolus     | 2026-10-05 09:00 | 2026-10-05 10:00 |
        | i1          | keep_open | 2026-10-05 10:00 | 2026-10-05 11:00 |
        | i1          | paused    | 2026-10-05 11:00 | 2026-10-05 12:00 |
        | i1          | running   | 2026-10-05 12:00 | 2026-10-05 13:00 |
    """,
}


@pytest.mark.parametrize(
    ("raised", "channel", "kind", "counted"),
    [
        ("08:30", "A", "occlusion", 1),  # running
        ("08:00", "A", "occlusion", 0),  # at the start: nothing ran just before
        ("09:30", "A", "air_in_line", 1),  # bolus
        ("10:30", "A", "end_of_infusion", 1),  # keep-open
        ("11:00", "A", "occlusion", 1),  # the pause begins at this moment: kept open just before
        ("11:30", "A", "occlusion", 0),  # paused
        ("12:00", "A", "occlusion", 0),  # the resumption is of this moment: paused just before
        ("13:00", "A", "occlusion", 1),  # it stopped the delivery at this moment
        ("13:00:01", "A", "occlusion", 0),  # over
        ("08:30", "B", "occlusion", 0),  # another channel
        ("08:30", "()", "door_open", 1),  # the whole pump: one of its channels ran
        ("08:30", "A", "low_battery", 0),  # no delivery alarm
        ("08:30", "A", "other", 0),
    ],
)
def test_ruling_50_delivery_alarms_in_running_infusions(
    raised: str, channel: str, kind: str, counted: int
) -> None:
    """Raised while the channel was running, in a bolus or kept open just before; over 3 running hours."""
    alarm = {"alarm_id": "a", "raised_at": f"2026-10-05 {raised}", "channel": channel, "alarm_kind": kind}
    assert icu(measured(**STATES, alarms=[alarm]), "delivery_alarm_rate") == (counted, 3)


def test_delivery_alarms_by_kind_and_priority_stand_over_the_hours_of_all() -> None:
    """Two occlusions and a near end in 3 running hours: 100 per 100 h; one of them with no priority stated."""
    drawn = """
        | alarm_id | raised_at        | alarm_kind | alarm_priority |
        | a        | 2026-10-05 08:10 | occlusion  | high           |
        | b        | 2026-10-05 08:20 | occlusion  | -              |
        | c        | 2026-10-05 08:30 | near_end   | low            |
    """
    found = measured(**STATES, alarms=drawn)
    row = cell(found, "delivery_alarm_rate", care_area="icu")
    assert (counts(row), row["value"]) == ((3, 3), 100)
    assert icu(found, "delivery_alarm_rate_occlusion") == (2, 3)
    assert icu(found, "delivery_alarm_rate_near_end") == (1, 3)
    assert icu(found, "delivery_alarm_rate_empty") == (0, 3)
    names = ("high", "medium", "low", "none", "not_stated")
    assert [icu(found, f"delivery_alarm_rate_priority_{n}")[0] for n in names] == [1, 0, 1, 0, 1]


def test_the_interval_of_alarms_is_widened_by_how_they_cluster() -> None:
    """Ten infusions of one hour; six alarms, all in one of them."""
    drawn = {
        "infusions": [{"infusion_id": f"i{k}", "channel": str(k)} for k in range(10)],
        "segments": [
            {"infusion_id": f"i{k}", "channel": str(k), "ended_at": "2026-10-05 09:00"} for k in range(10)
        ],
        "alarms": [
            {"alarm_id": f"a{k}", "channel": "0", "raised_at": f"2026-10-05 08:1{k}"} for k in range(6)
        ],
    }
    row = cell(measured(**drawn), "delivery_alarm_rate", care_area="icu")
    oracle = clustered_rate([6] + [0] * 9, [1] * 10, range(10))
    assert oracle.dispersion == pytest.approx(6)
    assert (row["value"], row["low95"], row["high95"]) == pytest.approx(
        (60, 100 * oracle.low, 100 * oracle.high)
    )


def test_alarms_belong_to_the_area_in_force_and_hours_to_theirs() -> None:
    drawn = {
        "infusions": "| infusion_id |\n| i1 |",
        "segments": """
            | infusion_id | care_area | started_at       | ended_at         |
            | i1          | icu       | 2026-10-05 08:00 | 2026-10-05 09:00 |
            | i1          | ward      | 2026-10-05 09:00 | 2026-10-05 12:00 |
        """,
        "alarms": "| alarm_id | care_area | raised_at |\n| a | ward | 2026-10-05 10:00 |",
    }
    found = measured(own=site(areas=("icu", "ward"), **LOW), **drawn)
    assert icu(found, "delivery_alarm_rate") == (0, 1)
    assert counts(cell(found, "delivery_alarm_rate", care_area="ward")) == (1, 3)


POWER = """
    | kind         | occurred_at      | sequence |
    | powered_on   | 2026-10-05 08:00 | 1        |
    | key_pressed  | 2026-10-05 09:00 | 2        |
    | powered_off  | 2026-10-05 10:00 | 3        |
    | powered_on   | 2026-10-06 08:00 | 4        |
    | key_pressed  | 2026-10-06 11:00 | 5        |
    | powered_on   | 2026-10-06 20:00 | 6        |
    | key_pressed  | 2026-10-06 20:30 | 7        |
"""


def test_powered_on_hours_end_at_power_off_or_the_last_event_before_the_next_power_on() -> None:
    """2 h to the power-off; 3 h to the last event before a second power-on (ruling 25); half an hour to the end."""
    assert whole(measured(events=POWER), "pump_alarm_rate") == (0, 5.5)


def test_an_event_shows_that_the_pump_is_on_unless_a_server_wrote_it() -> None:
    """Off at 10:00; a lost link proves nothing, a key at 12:00 does: one hour more to 13:00."""
    drawn = """
        | kind               | occurred_at      |
        | key_pressed        | 2026-10-05 08:00 |
        | power_lost         | 2026-10-05 10:00 |
        | communication_lost | 2026-10-05 11:00 |
        | key_pressed        | 2026-10-05 12:00 |
        | key_pressed        | 2026-10-05 13:00 |
    """
    assert whole(measured(events=drawn), "pump_alarm_rate") == (0, 3)


def test_pump_alarms_are_of_battery_power_and_fault_over_pump_hours_of_the_facility() -> None:
    drawn = """
        | alarm_id | alarm_kind    | channel |
        | a        | low_battery   | ()      |
        | b        | battery_empty | ()      |
        | c        | power         | ()      |
        | d        | fault         | A       |
        | e        | occlusion     | A       |
    """
    found = measured(events=POWER, alarms=drawn)
    assert whole(found, "pump_alarm_rate") == (4, 5.5)
    assert whole(found, "pump_alarm_rate_low_battery") == (1, 5.5)
    assert not cells(found, "pump_alarm_rate", care_area="icu")


def test_maintenance_has_no_pump_hours_and_no_alarms() -> None:
    """The area in force decides where the event says nothing."""
    events = """
        | kind               | occurred_at      | care_area |
        | powered_on         | 2026-10-05 08:00 | -         |
        | care_area_selected | 2026-10-05 08:00 | workshop  |
        | powered_off        | 2026-10-05 10:00 | -         |
        | powered_on         | 2026-10-06 08:00 | -         |
        | powered_off        | 2026-10-06 09:00 | -         |
    """
    own = site(care_areas={"icu": {}, "workshop": {"context": "maintenance"}}, **LOW)
    alarms = "| alarm_id | alarm_kind | use_context |\n| a | fault | maintenance |"
    assert whole(measured(own=own, events=events, alarms=alarms), "pump_alarm_rate") == (0, 1)


def test_one_fact_from_two_systems_counts_once() -> None:
    """The site says that the export counts; a feed's power-on an hour later must not open a second session."""
    events = """
        | event_id | source_name | kind        | occurred_at      |
        | a        | wards       | powered_on  | 2026-10-05 08:00 |
        | b        | feed        | powered_on  | 2026-10-05 09:00 |
        | c        | wards       | powered_off | 2026-10-05 10:00 |
    """
    ingests = [{"source_name": "wards"}, {"source_name": "feed", "source_file_sha256": "g"}]
    plain = measured(events=events, ingests=ingests)
    own = site(precedence=[{"counts": "wards"}], **LOW)
    ruled = measured(own=own, events=events, ingests=ingests)
    assert whole(plain, "pump_alarm_rate")[1] == 1
    assert whole(ruled, "pump_alarm_rate")[1] == 2


def test_ruling_39_burden_is_the_union_of_minutes_of_a_pump() -> None:
    """08:10-08:30 and 08:20-08:40 are 30 min, 09:00-09:05 five; another pump's 10 stand for themselves: 45."""
    alarms = """
        | alarm_id | pump_id | channel | raised_at        | ended_at         |
        | a        | P1      | A       | 2026-10-05 08:10 | 2026-10-05 08:30 |
        | b        | P1      | B       | 2026-10-05 08:20 | 2026-10-05 08:40 |
        | c        | P1      | A       | 2026-10-05 09:00 | 2026-10-05 09:05 |
        | d        | P2      | A       | 2026-10-05 08:10 | 2026-10-05 08:20 |
        | e        | P1      | A       | 2026-10-05 09:30 | -                |
    """
    row = cell(measured(events=POWER, alarms=alarms), "alarm_minutes", care_area="")
    assert counts(row) == (45, 5.5)
    assert row["value"] == pytest.approx(100 * 45 / 5.5)
    assert row["unit"] == "minutes per 100 powered-on pump-hours"


def test_ruling_12_without_clearing_in_the_log_there_is_no_burden() -> None:
    records = '["powered_on", "powered_off", "alarm_raised"]'
    found = measured(events=POWER, ingests=[{"records_json": records}])
    assert whole(found, "pump_alarm_rate") == (0, 5.5)
    row = cell(found, "alarm_minutes", care_area="")
    assert row["status"] == "not_measurable"
    assert "1 pump from sources that do not record alarm_cleared (" in row["reason"]


TIMED = """
    | alarm_id | raised_at           | silenced_at         | cleared_at          | ended_at            |
    | a        | 2026-10-05 08:00:00 | 2026-10-05 08:00:05 | 2026-10-05 08:00:10 | 2026-10-05 08:00:10 |
    | b        | 2026-10-05 09:00:00 | -                   | 2026-10-05 09:00:20 | 2026-10-05 09:00:20 |
    | c        | 2026-10-05 10:00:00 | 2026-10-05 10:00:15 | -                   | 2026-10-05 10:00:25 |
    | d        | 2026-10-05 11:00:00 | -                   | 2026-10-05 11:00:40 | 2026-10-05 11:00:40 |
    | e        | 2026-10-05 12:00:00 | -                   | -                   | 2026-10-05 12:01:00 |
"""


def test_time_to_clear_censors_what_was_never_cleared() -> None:
    """10, 20, 25+, 40, 60+: 4/5, 3/5, then 2 at risk at 40: 3/10. Half by 40 s, a quarter by 20 s, 90 % never."""
    found = measured(alarms=TIMED)
    row = cell(found, "alarm_time_to_clear", care_area="icu")
    assert (counts(row), row["value"], row["unit"]) == ((3, 5), 40, "seconds")
    assert cell(found, "alarm_time_to_clear_p25", care_area="icu")["value"] == 20
    last = cell(found, "alarm_time_to_clear_p90", care_area="icu")
    assert (last["status"], last["value"], counts(last)) == ("not_measurable", None, (3, 5))
    assert "of 5 alarms the end was seen of 3: too few to tell" in last["reason"]
    oracle = survival_quantile([10, 20, 25, 40, 60], [True, True, False, True, False])
    assert row["low95"] == oracle.low


def test_first_response_is_silencing_or_clearing_whichever_comes_first() -> None:
    """5, 15, 20, 40, 60+: the median is 20 s."""
    row = cell(measured(alarms=TIMED), "alarm_time_to_first_response", care_area="icu")
    assert (counts(row), row["value"]) == ((4, 5), 20)


def test_times_of_a_source_that_logs_no_silencing_are_left_out() -> None:
    found = measured(alarms=TIMED, ingests=[{"records_json": '["alarm_raised", "alarm_cleared"]'}])
    assert icu(found, "alarm_time_to_clear") == (3, 5)
    row = cell(found, "alarm_time_to_first_response", care_area="icu")
    assert (row["status"], row["value"]) == ("not_measurable", None)
    assert "left out: 5 alarms from sources that do not record" in row["reason"]


def test_ruling_18_delivery_lost_is_the_time_in_the_state_stopped_by_alarm() -> None:
    """30 min stopped over 2 running hours: 25 min an hour, 1500 per 100. The pause is none of it."""
    drawn = {
        "infusions": "| infusion_id |\n| i1 |",
        "segments": """
            | infusion_id | state            | started_at       | ended_at         |
            | i1          | running          | 2026-10-05 08:00 | 2026-10-05 09:00 |
            | i1          | stopped_by_alarm | 2026-10-05 09:00 | 2026-10-05 09:30 |
            | i1          | running          | 2026-10-05 09:30 | 2026-10-05 10:30 |
            | i1          | paused           | 2026-10-05 10:30 | 2026-10-05 11:00 |
        """,
    }
    row = cell(measured(**drawn), "delivery_lost", care_area="icu")
    assert (counts(row), row["value"], row["unit"]) == ((30, 2), 1500, "minutes per 100 running hours")


def test_delivery_lost_is_cut_at_the_months_edge() -> None:
    drawn = {
        "infusions": "| infusion_id | started_at |\n| i1 | 2026-10-31 22:00 |",
        "segments": """
            | infusion_id | state            | started_at       | ended_at         |
            | i1          | running          | 2026-10-31 22:00 | 2026-10-31 23:50 |
            | i1          | stopped_by_alarm | 2026-10-31 23:50 | 2026-11-01 00:20 |
            | i1          | running          | 2026-11-01 00:20 | 2026-11-01 01:20 |
        """,
    }
    found = Figures(store(**drawn), site(**LOW), ["2026-10", "2026-11"])
    lost = {r["month"]: float(r["numerator"]) for r in cells(found, "delivery_lost", care_area="icu")}
    assert lost == {"2026-10": 10, "2026-11": 20}


def test_pumps_that_log_no_alarm_give_no_hours_to_an_alarm_rate() -> None:
    """One hour of the wards counts, the three of the feed are left out: 75 %."""
    drawn = {
        "ingests": [
            {"source_name": "wards"},
            {"source_name": "feed", "records_json": '["infusion_started"]', "source_file_sha256": "g"},
        ],
        "infusions": "| infusion_id | source_name |\n| i1 | wards |\n| i2 | feed |",
        "segments": """
            | infusion_id | channel | ended_at         |
            | i1          | A       | 2026-10-05 09:00 |
            | i2          | B       | 2026-10-05 11:00 |
        """,
    }
    found = measured(**drawn)
    for measure in ("delivery_alarm_rate", "delivery_lost"):
        row = cell(found, measure, care_area="icu")
        assert counts(row) == (0, 1)
        assert "left out: 3.0 running" in row["reason"]
        assert "(75.0 %)" in row["reason"]


def test_below_the_minimum_of_hours_there_is_no_rate() -> None:
    found = measured(own=site(), **STATES, events=POWER)
    for measure, where in (("delivery_alarm_rate", "icu"), ("pump_alarm_rate", "")):
        row = cell(found, measure, care_area=where)
        assert (row["status"], row["value"]) == ("small", None)
    assert "5.5 pump-hours, under the minimum of 500" in row["reason"]
