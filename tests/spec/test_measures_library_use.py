"""Library use by starts and by hours: what counts, where, and when."""

from __future__ import annotations

import pytest
from tests.measure_samples import Figures, cell, cells, site, store

from dripledger.errors import UsageError
from dripledger.measures import calculate
from dripledger.site import EntryRow
from dripledger.statistics import clustered_share, wilson

LOW = {"minimums": {"starts": 1, "infusions": 1, "channel_hours": 0.001}}


def counts(row: dict[str, object]) -> tuple[float, float]:
    return float(row["numerator"]), float(row["denominator"])  # type: ignore[arg-type]


def test_under_an_entry_is_with_limits_or_without_and_unknown_is_on_neither_side() -> None:
    """Ruling 45."""
    con = store(
        infusions="""
        | library_use    |
        | limited        |
        | no_limit_entry |
        | bypassed       |
        | unknown        |
        | -              |
        """
    )
    row = cell(Figures(con, site(**LOW), ["2026-10"]), "library_use_starts", care_area="icu")
    assert counts(row) == (2, 3)
    assert "left out: 2 starts of unknown library use (40.0 %)" in row["reason"]


def test_false_starts_are_in_neither_count_and_their_hours_stay() -> None:
    """Ruling 23."""
    con = store(
        infusions="""
        | infusion_id | false_start | library_use |
        | a           |             |             |
        | b           | yes         | bypassed    |
        """,
        segments="""
        | infusion_id | ended_at            | library_use |
        | a           | 2026-10-05 09:00    |             |
        | b           | 2026-10-05 08:00:18 | bypassed    |
        """,
    )
    found = calculate(con, site(**LOW), None, ["2026-10"])
    assert counts(cell(found, "library_use_starts", care_area="icu")) == (1, 1)
    assert counts(cell(found, "library_use_hours", care_area="icu")) == (1, 1.005)
    assert con.execute("select what, infusions from not_counted").fetchall() == [("false_start", 1)]


def test_missing_starts_and_patient_changes_are_no_starts_and_their_hours_count() -> None:
    """Rulings 3 and 4."""
    con = store(
        infusions="""
        | infusion_id | start_kind     |
        | a           | start          |
        | b           | patient_change |
        | c           | missing        |
        """,
        segments="""
        | infusion_id | ended_at         |
        | a           | 2026-10-05 09:00 |
        | b           | 2026-10-05 10:00 |
        | c           | 2026-10-05 12:00 |
        """,
    )
    found = Figures(con, site(**LOW), ["2026-10"])
    assert counts(cell(found, "library_use_starts", care_area="icu")) == (1, 1)
    assert counts(cell(found, "library_use_hours", care_area="icu")) == (7, 7)


def test_what_begins_midway_is_a_start_like_any_other_and_leaving_is_shown_beside() -> None:
    """Rulings 9 and 30."""
    con = store(
        infusions="""
        | infusion_id | start_kind            | library_use | continues_infusion_id |
        | a           | start                 | limited     | -                     |
        | b           | left_library          | bypassed    | a                     |
        | c           | entered_library       | limited     | b                     |
        | d           | entry_changed         | limited     | c                     |
        | e           | concentration_changed | limited     | d                     |
        """
    )
    found = calculate(con, site(**LOW), None, ["2026-10"])
    assert counts(cell(found, "library_use_starts", care_area="icu")) == (4, 5)
    assert con.execute("select what, infusions from not_counted").fetchall() == [("left_midway", 1)]


def test_maintenance_and_training_are_counted_apart() -> None:
    con = store(
        infusions="""
        | infusion_id | use_context |
        | a           | clinical    |
        | b           | unknown     |
        | c           | -           |
        | d           | maintenance |
        | e           | training    |
        """,
        segments="""
        | infusion_id | ended_at         |
        | a           | 2026-10-05 09:00 |
        | d           | 2026-10-05 11:00 |
        """,
    )
    found = calculate(con, site(**LOW), None, ["2026-10"])
    assert counts(cell(found, "library_use_starts", care_area="icu")) == (3, 3)
    assert counts(cell(found, "library_use_hours", care_area="icu")) == (1, 1)
    apart = dict(con.execute("select what, infusions from not_counted").fetchall())
    assert apart == {"maintenance": 1, "training": 1, "maintenance_hours": 1}


def test_hours_are_split_at_local_midnight_of_the_first_and_starts_stay_at_their_start() -> None:
    """23:00 to 02:00 in Lisbon over 1 November: one hour in October, two in November."""
    con = store(
        infusions="""
        | infusion_id | started_at       |
        | a           | 2026-10-31 23:00 |
        """,
        segments="""
        | infusion_id | started_at       | ended_at         |
        | a           | 2026-10-31 23:00 | 2026-11-01 02:00 |
        """,
    )
    found = Figures(con, site(zone="Europe/Lisbon", **LOW), ["2026-10", "2026-11"])
    hours = {r["month"]: counts(r) for r in cells(found, "library_use_hours", care_area="icu")}
    starts = {r["month"]: counts(r) for r in cells(found, "library_use_starts", care_area="icu")}
    assert hours == {"2026-10": (1, 1), "2026-11": (2, 2)}
    assert starts == {"2026-10": (1, 1), "2026-11": (0, 0)}


def test_a_start_after_local_midnight_is_in_the_new_month_though_utc_is_in_the_old() -> None:
    con = store(
        infusions="""
        | infusion_id | started_at       |
        | a           | 2026-09-30 23:30 |
        """
    )
    found = Figures(con, site(zone="Europe/Lisbon", **LOW), ["2026-09", "2026-10"])
    starts = {r["month"]: counts(r) for r in cells(found, "library_use_starts", care_area="icu")}
    assert starts == {"2026-09": (0, 0), "2026-10": (1, 1)}


def test_the_repeated_hour_counts_as_elapsed() -> None:
    """An infusion over the whole of 25 October in Lisbon runs 25 hours."""
    con = store(
        infusions="| infusion_id |\n| a |",
        segments="""
        | infusion_id | started_at       | ended_at         |
        | a           | 2026-10-24 23:00 | 2026-10-26 00:00 |
        """,
    )
    found = Figures(con, site(zone="Europe/Lisbon", **LOW), ["2026-10"])
    assert counts(cell(found, "library_use_hours", care_area="icu")) == (25, 25)


def test_only_running_and_bolus_are_running_hours() -> None:
    states = (
        "running", "bolus", "paused", "stopped_by_alarm", "standby", "delayed", "between_doses", "priming",
        "keep_open", "unknown",
    )  # fmt: skip
    con = store(
        infusions="| infusion_id |\n| a |",
        segments=[
            {"infusion_id": "a", "state": state, "started_at": f"2026-10-05 {8 + i:02}:00",
             "ended_at": f"2026-10-05 {9 + i:02}:00"}
            for i, state in enumerate(states)
        ],
    )  # fmt: skip
    found = Figures(con, site(**LOW), ["2026-10"])
    assert counts(cell(found, "library_use_hours", care_area="icu")) == (2, 2)


def test_hours_belong_to_the_area_in_force_and_starts_to_that_at_the_start() -> None:
    con = store(
        infusions="| infusion_id | care_area |\n| a | icu |",
        segments="""
        | infusion_id | care_area | started_at       | ended_at         |
        | a           | icu       | 2026-10-05 08:00 | 2026-10-05 09:00 |
        | a           | ward      | 2026-10-05 09:00 | 2026-10-05 12:00 |
        """,
    )
    found = Figures(con, site(areas=("icu", "ward"), **LOW), ["2026-10"])
    assert counts(cell(found, "library_use_hours", care_area="icu")) == (1, 1)
    assert counts(cell(found, "library_use_hours", care_area="ward")) == (3, 3)
    assert counts(cell(found, "library_use_starts", care_area="icu")) == (1, 1)
    assert cell(found, "library_use_starts", care_area="ward")["status"] == "no_data"


def test_none_selected_is_a_group_that_stands_last() -> None:
    con = store(
        infusions="""
        | care_area |
        | -         |
        | unmapped  |
        | zz        |
        """
    )
    found = Figures(con, site(areas=("icu",), **LOW), ["2026-10"])
    rows = cells(found, "library_use_starts")
    assert [r["care_area"] for r in rows] == ["icu", "zz", "unmapped", "none selected"]


def test_a_source_that_cannot_log_starts_is_left_out_and_said() -> None:
    con = store(
        infusions="""
        | source_name | library_use |
        | wards       | limited     |
        | wards       | bypassed    |
        | feed        | bypassed    |
        """,
        ingests=[
            {"source_name": "wards", "records_json": '["infusion_started"]'},
            {"source_name": "feed", "records_json": '["alarm_raised"]', "source_file_sha256": "g"},
        ],
    )
    row = cell(Figures(con, site(**LOW), ["2026-10"]), "library_use_starts", care_area="icu")
    assert counts(row) == (1, 2)
    assert "left out: 1 start from sources that do not record infusion_started (33.3 %)" in row["reason"]


def test_the_newest_declaration_of_a_source_holds() -> None:
    con = store(
        infusions="| library_use |\n| limited |",
        ingests=[
            {"ingest_id": "2", "ingested_at": "2026-11-03 06:00", "records_json": '["infusion_started"]'},
            {"ingest_id": "1", "ingested_at": "2026-11-02 06:00", "records_json": '["alarm_raised"]'},
        ],
    )
    assert counts(cell(Figures(con, site(**LOW), ["2026-10"]), "library_use_starts")) == (1, 1)


def test_where_no_start_tells_its_library_use_the_measure_is_not_measurable() -> None:
    con = store(infusions="| library_use |\n| unknown |\n| - |")
    row = cell(Figures(con, site(**LOW), ["2026-10"]), "library_use_starts", care_area="icu")
    assert (row["status"], row["value"], row["numerator"]) == ("not_measurable", None, None)
    assert "2 starts of unknown library use (100 %)" in row["reason"]


def test_intervals_are_the_score_interval_and_the_clustered_one() -> None:
    con = store(
        infusions=[{"infusion_id": f"i{k}", "library_use": "bypassed" if k % 4 == 0 else "limited"} for k in range(30)],
        segments=[
            {"infusion_id": f"i{k}", "started_at": "2026-10-05 08:00", "ended_at": f"2026-10-05 09:{k:02}",
             "channel": str(k), "library_use": "bypassed" if k % 4 == 0 else "limited"}
            for k in range(30)
        ],
    )  # fmt: skip
    found = Figures(con, site(**LOW), ["2026-10"])
    starts, hours = (cell(found, m, care_area="icu") for m in ("library_use_starts", "library_use_hours"))
    low, high = wilson(22, 30)
    assert (starts["low95"], starts["high95"]) == (float(low), float(high))
    whole = [60 + k for k in range(30)]
    oracle = clustered_share([w * (k % 4 != 0) for k, w in enumerate(whole)], whole, range(30))
    assert hours["low95"] == pytest.approx(float(oracle.low[0]))
    assert hours["high95"] == pytest.approx(float(oracle.high[0]))


def test_below_the_minimum_a_cell_has_counts_and_no_value() -> None:
    con = store(
        infusions=[{"infusion_id": f"i{k}"} for k in range(19)],
        segments=[
            {
                "infusion_id": f"i{k}",
                "channel": str(k),
                "started_at": "2026-10-01 00:00",
                "ended_at": "2026-10-03 12:00",
            }
            for k in range(9)
        ],
    )
    found = Figures(con, site(), ["2026-10"])
    starts, hours = (cell(found, m, care_area="icu") for m in ("library_use_starts", "library_use_hours"))
    assert (starts["status"], starts["value"], starts["low95"]) == ("small", None, None)
    assert counts(starts) == (19, 19)
    assert (hours["status"], counts(hours)) == ("small", (540, 540))
    assert "9 infusions and 540.0 channel-hours" in hours["reason"]


def test_the_minimum_itself_is_enough() -> None:
    con = store(
        infusions=[{"infusion_id": f"i{k}"} for k in range(20)],
        segments=[
            {
                "infusion_id": f"i{k}",
                "channel": str(k),
                "started_at": "2026-10-01 00:00",
                "ended_at": "2026-10-03 02:00",
            }
            for k in range(10)
        ],
    )
    found = Figures(con, site(), ["2026-10"])
    assert cell(found, "library_use_starts", care_area="icu")["value"] == 1
    assert cell(found, "library_use_hours", care_area="icu")["value"] == 1


def test_the_whole_grid_is_there_and_measures_to_come_say_so() -> None:
    con = store(infusions="| library_use |\n| limited |")
    found = calculate(con, site(areas=("icu", "ward"), **LOW), None, ["2026-09", "2026-10"])
    assert found.column_names == [
        "measure", "month", "care_area", "numerator", "denominator", "value", "low95", "high95", "unit", "status",
        "reason",
    ]  # fmt: skip
    for measure in ("library_use_starts", "protected_share", "override_share"):
        places = [(r["month"], r["care_area"]) for r in cells(found, measure)]
        assert places == [(m, a) for m in ("2026-09", "2026-10") for a in ("icu", "ward")]
    for row in cells(found, "order_driven_share"):
        assert (row["status"], row["value"]) == ("not_measurable", None)
        assert row["reason"] == "not calculated by this version yet"


def test_groups_follow_the_first_three_columns_whatever_their_order() -> None:
    con = store(
        infusions="""
        | pump_type    | library_use |
        | syringe      | limited     |
        | large_volume | bypassed    |
        | syringe      | bypassed    |
        """
    )
    found = calculate(con, site(**LOW), None, ["2026-10"], by=["source", "pump_type", "month", "care_area"])
    assert found.column_names[:5] == ["measure", "month", "care_area", "pump_type", "source"]
    seen = {r["pump_type"]: counts(r) for r in cells(found, "library_use_starts")}
    assert seen == {"large_volume": (0, 1), "syringe": (1, 2)}
    total = Figures(con, site(**LOW), ["2026-10"], by=[])
    assert counts(cell(total, "library_use_starts", care_area="")) == (1, 3)


def test_library_use_by_entry_is_not_measurable_and_the_flag_needs_its_list() -> None:
    drawn = """
        | entry    | library_use |
        | morphine | limited     |
        | -        | bypassed    |
        """
    by_entry = Figures(store(infusions=drawn), site(**LOW), ["2026-10"], by=["entry"])
    assert {r["status"] for r in cells(by_entry, "library_use_starts")} == {"not_measurable"}
    without = Figures(store(infusions=drawn), site(**LOW), ["2026-10"], by=["high_alert"])
    assert "there is no entries.csv" in cells(without, "protected_share")[0]["reason"]


def test_an_unknown_group_is_refused() -> None:
    with pytest.raises(UsageError, match="nurse"):
        calculate(store(), site(), None, ["2026-10"], by=["nurse"])


def test_the_high_alert_flag_comes_from_the_site() -> None:
    con = store(
        infusions="""
        | entry    | library_version |
        | insulin  | 7               |
        | morphine | 7               |
        | -        | 7               |
        """,
        libraries="""
        | entry    | hard_high |
        | insulin  | 10        |
        | morphine | -         |
        """,
    )
    lists = {"entries": (EntryRow("insulin", True, ()), EntryRow("morphine", False, ()))}
    found = Figures(con, site(lists=lists, **LOW), ["2026-10"], by=["high_alert"])
    seen = {r["high_alert"]: r["value"] for r in cells(found, "protected_share")}
    assert seen == {"yes": 1.0, "no": 0.0, "unknown": None}


def test_an_empty_store_has_no_month_and_a_month_asked_for_has_no_data() -> None:
    assert calculate(store(), site(), None).num_rows == 0
    row = cell(Figures(store(), site(), ["2026-10"]), "library_use_starts", care_area="icu")
    assert (row["status"], row["value"]) == ("no_data", None)


def test_same_input_in_another_order_gives_the_same_bytes() -> None:
    drawn = [
        {"infusion_id": f"i{k}", "library_use": "bypassed" if k % 3 == 0 else "limited", "channel": str(k)}
        for k in range(40)
    ]
    pieces = [{**row, "ended_at": f"2026-10-06 0{k % 7}:0{k % 10}:17"} for k, row in enumerate(drawn)]
    one = calculate(store(infusions=drawn, segments=pieces), site(**LOW), None, ["2026-10"])
    two = calculate(store(infusions=drawn[::-1], segments=pieces[::-1]), site(**LOW), None, ["2026-10"])
    assert one.equals(two)
