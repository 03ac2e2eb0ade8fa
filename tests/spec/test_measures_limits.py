"""Limit alerts and what became of them: small stores, the arithmetic beside each."""

from __future__ import annotations

from typing import Any

import pytest
from tests.measure_samples import Figures, cell, cells, site, store

from dripledger.measures import MEASURES, calculate
from dripledger.site import EntryRow
from dripledger.statistics import clustered_share, wilson
from dripledger.statistics.rates import clustered_rate

LOW = {"minimums": {"starts": 1, "infusions": 1, "channel_hours": 0.001}}
OCTOBER = ["2026-10"]


def measured(by: tuple[str, ...] = ("care_area",), own: Any = None, **drawn: Any) -> Figures:
    return Figures(store(**drawn), own or site(**LOW), OCTOBER, by)


def counts(row: dict[str, Any]) -> tuple[float, float]:
    return float(row["numerator"]), float(row["denominator"])


def icu(found: Figures, measure: str) -> tuple[float, float]:
    return counts(cell(found, measure, care_area="icu"))


PROGRAMMED = {
    # five programmings: two starts, two changes, one bolus; attempts a and b met a soft limit, b and c a hard one
    "programmings": """
        | programming_id | infusion_id | phase  | attempt_id |
        | p1             | i1          | start  | a          |
        | p2             | i1          | change | b          |
        | p3             | i1          | bolus  | -          |
        | p4             | i2          | start  | -          |
        | c              | -           | change | c          |
    """,
    "attempts": """
        | attempt_id | infusion_id | met_soft | met_hard | outcome       |
        | a          | i1          | yes      | no       | overridden    |
        | b          | i1          | yes      | yes      | within_limits |
        | c          | -           | no       | yes      | cancelled     |
    """,
    "infusions": "| infusion_id |\n| i1 |\n| i2 |",
}


def test_alert_shares_are_of_programmings_and_split_by_phase() -> None:
    """Soft 2 of 5 (start 1 of 2, change 1 of 2, bolus 0 of 1); hard 2 of 5 (start 0, change 2 of 2)."""
    found = measured(**PROGRAMMED)
    assert icu(found, "soft_alert_share") == (2, 5)
    assert [icu(found, f"soft_alert_share_{p}") for p in ("start", "change", "bolus")] == [
        (1, 2),
        (1, 2),
        (0, 1),
    ]
    assert icu(found, "hard_alert_share") == (2, 5)
    assert [icu(found, f"hard_alert_share_{p}") for p in ("start", "change", "bolus")] == [
        (0, 2),
        (2, 2),
        (0, 1),
    ]


def test_per_100_in_library_infusions_stands_beside_the_share() -> None:
    """Two programmings with a soft alert, two in-library infusions that begin: 100 per 100."""
    row = cell(measured(**PROGRAMMED), "soft_alerts_per_100_infusions", care_area="icu")
    assert (counts(row), row["value"], row["unit"]) == ((2, 2), 100, "per 100 in-library infusions")


def test_infusions_outside_the_library_are_in_no_denominator_of_alerts() -> None:
    drawn = {**PROGRAMMED, "infusions": "| infusion_id | library_use |\n| i1 | |\n| i2 | bypassed |"}
    assert icu(measured(**drawn), "soft_alerts_per_100_infusions") == (2, 1)


def test_the_interval_of_alerts_counts_infusions() -> None:
    """Ten infusions of four programmings; all alerts in two of them: 8 of 40, far less sure than 40 say."""
    drawn = {
        "programmings": [
            {"programming_id": f"p{i}{k}", "infusion_id": f"i{i}", "attempt_id": f"a{i}{k}" if i < 2 else "-"}
            for i in range(10)
            for k in range(4)
        ],
        "attempts": [{"attempt_id": f"a{i}{k}", "infusion_id": f"i{i}"} for i in range(2) for k in range(4)],
        "infusions": [{"infusion_id": f"i{i}", "channel": str(i)} for i in range(10)],
    }
    found = measured(**drawn)
    row = cell(found, "soft_alert_share", care_area="icu")
    oracle = clustered_share([4, 4] + [0] * 8, [4] * 10, range(10))
    assert counts(row) == (8, 40)
    assert (row["low95"], row["high95"]) == pytest.approx((float(oracle.low[0]), float(oracle.high[0])))
    low, high = wilson(8, 40)
    assert row["high95"] - row["low95"] > 1.5 * (high - low)
    rate = clustered_rate([4, 4] + [0] * 8, [1] * 10, range(10))
    per = cell(found, "soft_alerts_per_100_infusions", care_area="icu")
    assert (per["value"], per["low95"], per["high95"]) == pytest.approx((80, 100 * rate.low, 100 * rate.high))


OUTCOMES = """
    | attempt_id | met_soft | met_hard | outcome       |
    | a          | yes      | no       | overridden    |
    | b          | yes      | no       | overridden    |
    | c          | yes      | yes      | within_limits |
    | d          | yes      | no       | left_library  |
    | e          | no       | yes      | unchanged     |
    | f          | no       | yes      | cancelled     |
    | g          | yes      | yes      | unknown       |
"""


def test_six_outcomes_sum_to_the_attempts_and_unknown_is_shown() -> None:
    """Soft: 2 overridden, 1 within, 1 left, 1 unknown of 5. Hard: 1 within, unchanged, cancelled, unknown of 4."""
    found = measured(attempts=OUTCOMES)
    for kind, wanted in (("soft", [2, 1, 1, 0, 0, 1]), ("hard", [0, 1, 0, 1, 1, 1])):
        rows = [cell(found, name, care_area="icu") for name in MEASURES[f"outcomes_{kind}"].rows]
        assert [float(row["numerator"]) for row in rows] == wanted
        assert {float(row["denominator"]) for row in rows} == {sum(wanted)}
        assert sum(row["value"] for row in rows) == pytest.approx(1)


def test_override_share_is_of_soft_attempts_with_known_outcome() -> None:
    """2 of 4: g is unknown, e and f met no soft limit."""
    row = cell(measured(attempts=OUTCOMES), "override_share", care_area="icu")
    assert counts(row) == (2, 4)
    assert "left out: 1 attempt of unknown outcome (20.0 %)" in row["reason"]
    low, high = wilson(2, 4)
    assert (row["low95"], row["high95"]) == (float(low), float(high))


def test_left_library_share_is_of_all_attempts_with_known_outcome() -> None:
    """1 of 6, soft and hard together."""
    assert icu(measured(attempts=OUTCOMES), "left_library_share") == (1, 6)


REPEATED = {
    "infusions": """
        | infusion_id | library_use |
        | i1          | limited     |
        | i2          | limited     |
        | i3          | bypassed    |
    """,
    "attempts": """
        | attempt_id | infusion_id | first_alert_at   | outcome       | met_soft | met_hard |
        | a          | i1          | 2026-10-05 08:00 | within_limits |          |          |
        | b          | i1          | 2026-10-05 09:00 | overridden    |          |          |
        | c          | i1          | 2026-10-05 10:00 | overridden    |          |          |
        | d          | i2          | 2026-10-05 08:00 | within_limits |          |          |
        | e          | i3          | 2026-10-05 08:00 | left_library  |          |          |
        | f          | -           | 2026-10-05 08:00 | cancelled     |          |          |
        | g          | i2          | 2026-10-05 08:30 | unchanged     | no       | yes      |
    """,
}


def test_infusions_with_an_override_and_first_overrides_apart_from_repeats() -> None:
    """i1 and i2 met a soft limit, i1 ran past one; its second override repeats the first."""
    found = measured(**REPEATED)
    assert icu(found, "infusion_override_share") == (1, 2)
    assert icu(found, "override_repeat_share") == (1, 2)


def test_an_infusion_counts_in_the_month_of_its_first_soft_alert() -> None:
    drawn = {
        "infusions": "| infusion_id | started_at |\n| i1 | 2026-10-31 22:00 |",
        "attempts": """
            | attempt_id | infusion_id | first_alert_at   | outcome       |
            | a          | i1          | 2026-10-31 23:00 | within_limits |
            | b          | i1          | 2026-11-01 01:00 | overridden    |
        """,
    }
    found = Figures(store(**drawn), site(**LOW), ["2026-10", "2026-11"])
    of = {r["month"]: counts(r) for r in cells(found, "infusion_override_share", care_area="icu")}
    assert of == {"2026-10": (1, 1), "2026-11": (0, 0)}
    of = {r["month"]: counts(r) for r in cells(found, "override_share", care_area="icu")}
    assert of == {"2026-10": (0, 1), "2026-11": (1, 1)}


FAR = """
    | attempt_id | outcome       | limit_multiple |
    | a          | overridden    | 1.99           |
    | b          | overridden    | 1.9999999999   |
    | c          | overridden    | 5              |
    | d          | overridden    | 12             |
    | e          | overridden    | -              |
    | f          | within_limits | 20             |
"""


def test_far_overrides_are_counted_at_2_5_and_10_times() -> None:
    """Ruling 48: b is twice the limit to six digits. 3 at 2 or more, 2 at 5, 1 at 10, of 4 with a known multiple."""
    found = measured(attempts=FAR)
    assert icu(found, "far_overrides") == (3, 4)
    assert icu(found, "far_overrides_5x") == (2, 4)
    assert icu(found, "far_overrides_10x") == (1, 4)
    row = cell(found, "far_overrides", care_area="icu")
    assert (row["value"], row["low95"], row["unit"]) == (3, None, "count")
    assert "1 override with unknown times the limit" in row["reason"]


def fast(attempts: str, events: str) -> dict[str, Any]:
    return cell(measured(attempts=attempts, events=events), "override_under_3s_share", care_area="icu")


def test_ruling_31_under_three_seconds_counts_from_the_last_alert_to_the_decision() -> None:
    """a 2 s, b 3 s (within), c 4 s after its last alert; d was no override."""
    row = fast(
        """
        | attempt_id | last_alert_at       | decided_at          | outcome       |
        | a          | 2026-10-05 08:00:00 | 2026-10-05 08:00:02 |               |
        | b          | 2026-10-05 09:00:10 | 2026-10-05 09:00:13 |               |
        | c          | 2026-10-05 10:00:00 | 2026-10-05 10:00:04 |               |
        | d          | 2026-10-05 11:00:00 | 2026-10-05 11:00:01 | within_limits |
        """,
        """
        | kind          | occurred_at         |
        | limit_alerted | 2026-10-05 08:00:00 |
        | limit_alerted | 2026-10-05 09:00:10 |
        | limit_alerted | 2026-10-05 10:00:00 |
        | limit_alerted | 2026-10-05 11:00:00 |
        """,
    )
    assert counts(row) == (2, 3)


def test_where_times_are_coarser_than_a_second_it_is_not_measurable() -> None:
    row = fast(
        "| last_alert_at | decided_at |\n| 2026-10-05 08:00 | 2026-10-05 08:00 |",
        "| kind | occurred_at | time_resolution_s |\n| limit_alerted | 2026-10-05 08:00 | 60 |",
    )
    assert (row["status"], row["value"]) == ("not_measurable", None)
    assert "1 override whose time from alert to decision is not logged to the second" in row["reason"]


@pytest.mark.parametrize(
    "events",
    ["| kind | decision_logged |\n| limit_alerted | overridden |", "| kind |\n| limit_overridden |"],
)
def test_a_row_that_is_alert_and_decision_in_one_tells_no_time(events: str) -> None:
    """Ruling 36 makes both moments one: 0 s would be a false "too fast to have been read"."""
    row = fast("| decided_at |\n| 2026-10-05 08:00 |", events)
    assert row["status"] == "not_measurable"


def two_sources(records: str) -> dict[str, Any]:
    return {
        "ingests": [
            {"source_name": "wards"},
            {"source_name": "feed", "records_json": records, "source_file_sha256": "g"},
        ],
        "infusions": """
            | infusion_id | source_name |
            | i1          | wards       |
            | i2          | feed        |
            | i3          | feed        |
        """,
        "programmings": """
            | programming_id | infusion_id | source_name | attempt_id |
            | p1             | i1          | wards       | a          |
            | p2             | i2          | feed        | -          |
            | p3             | i3          | feed        | -          |
        """,
        "attempts": "| attempt_id | infusion_id |\n| a | i1 |",
    }


def test_pumps_that_cannot_log_limit_alerts_dilute_nothing_and_are_told() -> None:
    """1 of 1 of the wards; the two programmings and infusions of the feed stay out."""
    found = measured(**two_sources('["infusion_started", "rate_changed"]'))
    share = cell(found, "soft_alert_share", care_area="icu")
    assert counts(share) == (1, 1)
    assert (
        "left out: 2 in-library programmings from sources that do not record limit_alerted (66.7 %)"
        in share["reason"]
    )
    assert icu(found, "soft_alerts_per_100_infusions") == (1, 1)
    override = cell(found, "override_share", care_area="icu")
    assert counts(override) == (1, 1)
    assert "left out: 2 infusions from sources that do not record limit_alerted (" in override["reason"]


def test_of_sources_that_lack_different_kinds_each_kind_is_named_and_no_other() -> None:
    drawn = two_sources('["infusion_started"]')
    drawn["ingests"].append(
        {"source_name": "log", "records_json": '["limit_alerted"]', "source_file_sha256": "h"}
    )
    drawn["infusions"] += "    | i4          | log         |\n"
    drawn["programmings"] += "    | p4             | i4          | log         | -          |\n"
    share = cell(measured(**drawn), "soft_alert_share", care_area="icu")
    assert (
        "left out: 3 in-library programmings from sources that do not record one or more of infusion_started, "
        "limit_alerted (75.0 %)" in share["reason"]
    )
    far = cell(measured(**drawn), "far_overrides", care_area="icu")
    assert "one or more of infusion_started, limit_alerted or limit_overridden (" in far["reason"]


def test_where_no_source_can_log_limit_alerts_nothing_is_0_and_nothing_100_per_cent() -> None:
    drawn = two_sources('["infusion_started"]')
    drawn["ingests"][0]["records_json"] = '["infusion_started"]'
    drawn["attempts"] = ""
    drawn["programmings"] = drawn["programmings"].replace("| a ", "| - ")
    found = measured(**drawn)
    for name, measure in MEASURES.items():
        if "limit_alerted" in (*measure.needs, *measure.needs_any):
            for row_name in measure.rows:
                row = cell(found, row_name, care_area="icu")
                assert (row["status"], row["value"], row["numerator"]) == ("not_measurable", None, None), name
                assert "do not record" in row["reason"]


def test_far_overrides_need_overrides_or_alerts_and_not_both() -> None:
    drawn = {
        "ingests": [{"records_json": '["infusion_started", "limit_overridden"]'}],
        "attempts": "| limit_multiple |\n| 4 |",
        "infusions": "| infusion_id |\n| i1 |",
    }
    found = measured(**drawn)
    assert icu(found, "far_overrides") == (1, 1)
    assert cell(found, "override_share", care_area="icu")["status"] == "not_measurable"


def test_maintenance_and_training_are_counted_apart() -> None:
    con = store(
        attempts="""
        | attempt_id | use_context |
        | a          | clinical    |
        | b          | unknown     |
        | c          | training    |
        | d          | maintenance |
        """,
        programmings="""
        | programming_id | attempt_id | use_context |
        | p1             | a          |             |
        | p2             | c          | training    |
        """,
    )
    found = calculate(con, site(**LOW), None, OCTOBER)
    assert icu(found, "override_share") == (2, 2)
    assert icu(found, "soft_alert_share") == (1, 1)
    apart = dict(con.execute("select what, amount from warnings_apart").fetchall())
    assert apart == {"attempts_training": 1, "attempts_maintenance": 1}


def test_below_twenty_there_are_counts_and_no_rate_and_a_count_of_cases_stays_a_count() -> None:
    drawn = [{"attempt_id": f"a{k}", "limit_multiple": "3"} for k in range(19)]
    found = measured(own=site(), attempts=drawn)
    row = cell(found, "override_share", care_area="icu")
    assert (row["status"], row["value"], counts(row)) == ("small", None, (19, 19))
    assert "19 attempts, under the minimum of 20" in row["reason"]
    assert cell(found, "far_overrides", care_area="icu")["value"] == 19
    drawn.append({"attempt_id": "z", "outcome": "within_limits"})
    assert cell(measured(own=site(), attempts=drawn), "override_share", care_area="icu")["value"] == 0.95


def test_alerts_split_by_entry_and_by_the_high_alert_flag() -> None:
    lists = {"entries": (EntryRow("insulin", True, ()), EntryRow("saline", False, ()))}
    drawn = """
        | attempt_id | entry   | outcome       |
        | a          | insulin | overridden    |
        | b          | saline  | within_limits |
        | c          | saline  | overridden    |
    """
    found = measured(("high_alert",), site(lists=lists, **LOW), attempts=drawn)
    assert {r["high_alert"]: counts(r) for r in cells(found, "override_share")} == {
        "no": (1, 2),
        "yes": (1, 1),
    }
    found = measured(("entry",), attempts=drawn)
    assert {r["entry"]: counts(r) for r in cells(found, "override_share")} == {
        "insulin": (1, 1),
        "saline": (1, 2),
    }
