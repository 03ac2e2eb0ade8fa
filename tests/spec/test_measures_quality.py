"""Coverage, completeness, quarantine and provisional months."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from tests.measure_samples import Figures, cell, cells, site, store

from dripledger.measures import calculate
from dripledger.site import PumpRow

OCTOBER = ["2026-10"]


def pump(name: str, begins: date | None = None, ends: date | None = None) -> PumpRow:
    return PumpRow(name, None, None, None, begins, ends)


def counts(row: dict[str, Any]) -> tuple[float, float]:
    return float(row["numerator"]), float(row["denominator"])


# fleet coverage


def test_coverage_is_of_the_pumps_in_service_on_any_day_of_the_month() -> None:
    lists = {
        "pumps": (
            pump("P1"),
            pump("P2", ends=date(2026, 10, 1)),
            pump("P3", begins=date(2026, 10, 31)),
            pump("P4", ends=date(2026, 9, 30)),
            pump("P5", begins=date(2026, 11, 1)),
            pump("silent"),
        )
    }
    con = store(
        events="""
        | pump_id |
        | P1      |
        | P2      |
        | P4      |
        | strange |
        """
    )
    row = cell(Figures(con, site(lists=lists), OCTOBER), "fleet_coverage")
    assert counts(row) == (2, 4)
    assert row["value"] == 0.5
    assert row["low95"] is None


def test_coverage_needs_the_list_of_pumps() -> None:
    row = cell(Figures(store(events="| pump_id |\n| P1 |"), site(), OCTOBER), "fleet_coverage")
    assert row["status"] == "not_measurable"
    assert "pumps.csv" in row["reason"]


# provisional months


@pytest.mark.parametrize(("heard", "status"), [(18, "provisional"), (19, "ok"), (20, "ok")])
def test_a_month_is_provisional_until_enough_pumps_were_heard_after_it(heard: int, status: str) -> None:
    """19 of 20 is 95 per cent."""
    pumps = [f"P{k:02}" for k in range(20)]
    events = [{"pump_id": name} for name in pumps]
    events += [{"pump_id": name, "occurred_at": "2026-11-01 00:00"} for name in pumps[:heard]]
    con = store(events=events)
    found = Figures(con, site(lists={"pumps": tuple(map(pump, pumps))}), OCTOBER)
    row = cell(found, "unmapped_share")
    assert row["status"] == status
    assert ("heard after the month" in row["reason"]) == (status == "provisional")


def test_a_month_that_a_whole_month_follows_is_final_however_few_were_heard_later() -> None:
    con = store(
        events="""
        | pump_id | occurred_at      |
        | P1      | 2026-08-05 08:00 |
        | P2      | 2026-08-05 08:00 |
        | P1      | 2026-10-05 08:00 |
        """
    )
    lists = {"pumps": (pump("P1"), pump("P2"))}
    found = Figures(con, site(lists=lists), ["2026-08", "2026-09", "2026-10"])
    seen = {r["month"]: r["status"] for r in cells(found, "unmapped_share")}
    assert seen == {"2026-08": "ok", "2026-09": "no_data", "2026-10": "provisional"}


def test_a_clock_that_stands_decades_ahead_ends_no_month_and_adds_none() -> None:
    events = [{"pump_id": f"P{k:02}"} for k in range(20)]
    events += [
        {"pump_id": "P00", "occurred_at": "2099-01-05 08:00"},
        {"pump_id": "P01", "occurred_at": "2026-12-01 08:00"},
        {"pump_id": "P02", "occurred_at": "2026-12-01 08:00"},
    ]
    lists = {"pumps": tuple(pump(f"P{k:02}") for k in range(20))}
    found = calculate(store(events=events), site(lists=lists), None)
    seen = {r["month"]: r["status"] for r in cells(found, "unmapped_share")}
    assert list(seen) == ["2026-10", "2026-11", "2026-12"]
    assert seen["2026-10"] == "ok"
    again = Figures(store(events=events[:21]), site(lists=lists), OCTOBER)
    assert cell(again, "unmapped_share")["status"] == "provisional"


def test_a_pump_that_left_service_in_the_month_is_not_waited_for() -> None:
    con = store(
        events="""
        | pump_id | occurred_at      |
        | P1      | 2026-10-05 08:00 |
        | P2      | 2026-10-05 08:00 |
        | P1      | 2026-11-01 08:00 |
        """
    )
    lists = {"pumps": (pump("P1"), pump("P2", ends=date(2026, 10, 20)))}
    assert cell(Figures(con, site(lists=lists), OCTOBER), "unmapped_share")["status"] == "ok"


def test_without_the_list_the_pumps_heard_in_the_month_stand_in() -> None:
    con = store(events="| pump_id |\n| P1 |")
    row = cell(Figures(con, site(), OCTOBER), "unmapped_share")
    assert row["status"] == "provisional"
    assert "no pumps.csv" in row["reason"]


def test_a_provisional_month_has_its_figures() -> None:
    con = store(
        events="| pump_id |\n| P1 |",
        infusions=[{"infusion_id": f"i{k}"} for k in range(20)],
    )
    row = cell(Figures(con, site(), OCTOBER), "library_use_starts", care_area="icu")
    assert (row["status"], row["value"]) == ("provisional", 1.0)


# log completeness


def numbers(*rows: tuple[int, str], source: str = "wards", **more: Any) -> list[dict[str, Any]]:
    """Events with these sequence numbers at these times of 5 October (or at a full time)."""
    out = []
    for number, at in rows:
        full = at if " " in at else f"2026-10-05 {at}"
        out.append(
            {"sequence": str(number), "occurred_at": full, "device_time": full, "source_name": source, **more}
        )
    return out


def completeness(events: list[dict[str, Any]], months: list[str] = OCTOBER, **more: Any) -> dict[str, Any]:
    found = Figures(store(events=events, **more), site(), months)
    return {
        r["month"]: (counts(r) if r["numerator"] is not None else r["status"])
        for r in cells(found, "log_completeness")
    }


def test_seen_over_expected() -> None:
    assert completeness(numbers((5, "08:00"), (6, "08:01"), (10, "08:02"))) == {"2026-10": (3, 6)}


def test_several_events_of_one_record_count_once() -> None:
    events = numbers((5, "08:00"), (5, "08:00"), (6, "08:01"))
    events[1]["record_place"] = "1"
    assert completeness(events) == {"2026-10": (2, 2)}
    twice = numbers((5, "08:00"), (5, "08:00"), (8, "08:01"), (8, "08:01"), (9, "08:02"))
    assert completeness(twice) == {"2026-10": (3, 5)}


def test_a_reset_of_the_counter_is_no_gap() -> None:
    """Ruling 47: the counter begins anew at 1 after 5003."""
    assert completeness(
        numbers((5001, "08:00"), (5002, "08:01"), (5003, "08:02"), (1, "09:00"), (2, "09:01"))
    ) == {"2026-10": (5, 5)}


def test_numbers_after_a_reset_fill_no_hole_of_the_former_life() -> None:
    """Ruling 47: 1, 2, (3, 4 lost), 5, then anew 1 to 4: three and four of the second life are other records."""
    assert completeness(
        numbers(
            (1, "08:00"), (2, "08:01"), (5, "08:04"),
            (1, "09:00"), (2, "09:01"), (3, "09:02"), (4, "09:03"),
        )
    ) == {"2026-10": (7, 9)}  # fmt: skip


def test_a_clock_set_back_is_neither_gap_nor_reset() -> None:
    assert completeness(numbers((1, "10:00"), (2, "10:01"), (3, "08:00"), (4, "08:01"))) == {
        "2026-10": (4, 4)
    }


def test_a_quarantined_record_with_pump_and_number_is_seen() -> None:
    """Ruling 22."""
    quarantined = """
        | source_record | pump_id | sequence | device_time      |
        | 1             | P1      | 6        | 2026-10-05 08:01 |
        | 2             | P1      | 7        | -                |
        | 3             | -       | 8        | 2026-10-05 08:03 |
        """
    events = numbers((5, "08:00"), (9, "08:05"))
    assert completeness(events, quarantined=quarantined) == {"2026-10": (4, 5)}


def test_an_ignored_record_with_a_number_is_seen() -> None:
    """Ruling 22: nothing is lost where a rule says that the record carries no event."""
    ignored = """
        | sequence | device_time      | occurred_at      |
        | 6        | 2026-10-05 08:01 | 2026-10-05 08:01 |
        | 8        | 2026-10-05 08:03 | 2026-10-05 08:03 |
        | 9        | 2026-10-05 08:05 | 2026-10-05 08:05 |
        """
    quarantined = "| source_record | sequence | device_time |\n| 1 | 6 | - |\n| 2 | 8 | 2026-10-05 08:03 |"
    # 7 is missing; 9 stands as an event too, 6 and 8 also wait
    events = numbers((5, "08:00"), (9, "08:05"))
    assert completeness(events, ignored=ignored) == {"2026-10": (4, 5)}
    assert completeness(events, ignored=ignored, quarantined=quarantined) == {"2026-10": (4, 5)}
    assert completeness(events) == {"2026-10": (2, 5)}


def test_ignored_records_after_a_reset_fill_no_hole_of_the_former_life() -> None:
    """Rulings 22 and 47: 1, 2, (3 lost), 4, then anew 1 to 3, where 3 is ignored and resets nothing."""
    ignored = "| sequence | device_time | occurred_at |\n| 3 | 2026-10-05 09:02 | 2026-10-05 09:02 |"
    events = numbers((1, "08:00"), (2, "08:01"), (4, "08:03"), (1, "09:00"), (2, "09:01"))
    assert completeness(events, ignored=ignored) == {"2026-10": (6, 7)}


def test_ignored_numbers_of_a_source_that_does_not_vouch_for_them_count_nowhere() -> None:
    ignored = (
        "| sequence | sequence_reliable | device_time      | occurred_at      |\n"
        "| 6        | no                | 2026-10-05 08:01 | 2026-10-05 08:01 |"
    )
    events = numbers((5, "08:00"), (9, "08:05"), sequence_reliable=False)
    assert completeness(events, ignored=ignored) == {"2026-10": "not_measurable"}


def test_a_conflicting_record_in_quarantine_is_the_same_number() -> None:
    events = numbers((5, "08:00"), (6, "08:01"))
    quarantined = "| source_record | sequence | device_time |\n| 1 | 6 | 2026-10-05 08:01 |"
    assert completeness(events, quarantined=quarantined) == {"2026-10": (2, 2)}


def test_the_hole_belongs_to_the_month_of_the_record_before_it() -> None:
    events = numbers((1, "2026-10-31 23:00"), (4, "2026-11-01 01:00"))
    assert completeness(events, ["2026-10", "2026-11"]) == {"2026-10": (1, 3), "2026-11": (1, 1)}


def test_pumps_and_sources_have_their_own_numbers() -> None:
    events = numbers((1, "08:00"), (2, "08:01")) + numbers((7, "08:00"), (9, "08:01"), pump_id="P2")
    events += numbers((100, "08:00"), (101, "08:01"), source="other")
    assert completeness(events) == {"2026-10": (6, 7)}


def test_numbers_of_a_source_that_does_not_vouch_for_them_count_nowhere() -> None:
    events = numbers((1, "08:00"), (9, "08:01"), sequence_reliable=False)
    assert completeness(events) == {"2026-10": "not_measurable"}


# shares of events and records


def test_unmapped_and_clock_corrected_events() -> None:
    con = store(
        events="""
        | unmapped        | clock_offset_s | source_name |
        | entry           |                | wards       |
        | entry care_area | 2820           | wards       |
        |                 | 2820           | wards       |
        |                 |                | feed        |
        """
    )
    found = Figures(con, site(), OCTOBER, by=["source"])
    assert counts(cell(found, "unmapped_share", source="wards")) == (2, 3)
    assert counts(cell(found, "clock_corrected_share", source="wards")) == (2, 3)
    assert counts(cell(found, "unmapped_share", source="feed")) == (0, 1)
    total = Figures(con, site(), OCTOBER)
    assert counts(cell(total, "unmapped_share")) == (2, 4)


def test_quarantine_is_counted_in_records() -> None:
    con = store(
        events="""
        | source_record | record_place |
        | 1             | 0            |
        | 1             | 1            |
        | 2             | 0            |
        """,
        quarantined="| source_record | device_time |\n| 3 | 2026-10-05 08:00 |",
    )
    assert counts(cell(Figures(con, site(), OCTOBER), "quarantine_share")) == (1, 3)


def test_a_record_without_readable_time_stands_in_the_month_of_its_neighbour() -> None:
    con = store(
        events="""
        | source_record | occurred_at      | source_file_sha256 |
        | 2             | 2026-10-31 12:00 | f                  |
        | 4             | 2026-11-01 12:00 | f                  |
        """,
        quarantined="""
        | source_record | device_time | source_file_sha256 |
        | 1             | -           | f                  |
        | 3             | 1899-10-31  | f                  |
        | 5             | -           | f                  |
        | 9             | -           | empty              |
        """,
    )
    found = Figures(con, site(), ["2026-10", "2026-11"])
    assert {r["month"]: counts(r) for r in cells(found, "quarantine_share")} == {
        "2026-10": (2, 3),
        "2026-11": (1, 2),
    }
    assert con.execute("select count(*) from quarantine_months where month is null").fetchall() == [(1,)]


def test_uncertain_infusions() -> None:
    """Ruling 21; what a workshop does is left out."""
    con = store(
        infusions="""
        | uncertain | false_start | use_context |
        | yes       |             |             |
        |           | yes         |             |
        |           |             |             |
        | yes       |             | maintenance |
        """
    )
    assert counts(cell(Figures(con, site(), OCTOBER), "uncertain_share")) == (1, 3)
