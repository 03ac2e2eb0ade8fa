"""Rate changes by users, and starts on an older library: small stores, the arithmetic beside each."""

from __future__ import annotations

from typing import Any

import pytest
from tests.marks import LONG
from tests.measure_samples import Figures, cell, cells, site, store, table
from tests.spec.drawn import connection_with, events_of

from dripledger.infusions import build
from dripledger.measures import calculate
from dripledger.site import Thresholds

LOW = {"minimums": {"starts": 1, "infusions": 1, "channel_hours": 0.001}}


def measured(own: Any = None, **drawn: Any) -> Figures:
    return Figures(store(**drawn), own or site(**LOW), ["2026-10"])


def counts(row: dict[str, Any]) -> tuple[float, float]:
    return float(row["numerator"]), float(row["denominator"])


def changes(segments: str, events: str = "") -> tuple[float, float]:
    found = measured(infusions="| infusion_id |\n| i1 |", segments=segments, events=events)
    return counts(cell(found, "user_rate_changes", care_area="icu"))


def test_ruling_24_from_one_running_rate_to_another() -> None:
    """10 to 20 and 20 to 30; the same rate again is none: 2 in 4 running hours."""
    assert changes("""
        | infusion_id | rate_ml_h | started_at       | ended_at         |
        | i1          | 10        | 2026-10-05 08:00 | 2026-10-05 09:00 |
        | i1          | 20        | 2026-10-05 09:00 | 2026-10-05 10:00 |
        | i1          | 30        | 2026-10-05 10:00 | 2026-10-05 11:00 |
        | i1          | 30        | 2026-10-05 11:00 | 2026-10-05 12:00 |
    """) == (2, 4)


@pytest.mark.parametrize(
    "state",
    ["paused", "unknown", *(pytest.param(s, marks=LONG) for s in ("bolus", "keep_open", "stopped_by_alarm"))],
)
def test_what_another_state_lies_between_is_no_rate_change(state: str) -> None:
    segments = f"""
        | infusion_id | state   | rate_ml_h | started_at       | ended_at         |
        | i1          | running | 10        | 2026-10-05 08:00 | 2026-10-05 09:00 |
        | i1          | {state} | 5         | 2026-10-05 09:00 | 2026-10-05 09:01 |
        | i1          | running | 20        | 2026-10-05 09:01 | 2026-10-05 10:00 |
    """
    assert changes(segments)[0] == 0


GAP = """
    | infusion_id | state   | rate_ml_h | started_at          | ended_at            |
    | i1          | running | 10        | 2026-10-05 08:00:00 | 2026-10-05 09:00:00 |
    | i1          | paused  | 0         | 2026-10-05 09:00:00 | 2026-10-05 09:00:0{s} |
    | i1          | running | 20        | 2026-10-05 09:00:0{s} | 2026-10-05 10:00:00 |
"""


def test_a_stop_and_start_within_two_seconds_is_one_and_a_pause_is_none() -> None:
    assert changes(GAP.replace("{s}", "2"))[0] == 1
    assert changes(GAP.replace("{s}", "3"))[0] == 0
    paused = "| kind | occurred_at |\n| infusion_paused | 2026-10-05 09:00:00 |"
    assert changes(GAP.replace("{s}", "2"), paused)[0] == 0


@pytest.mark.parametrize(
    ("initiator", "counted"),
    [pytest.param("user", 1, marks=LONG), ("-", 1), ("pump", 0), pytest.param("order", 0, marks=LONG)],
)
def test_what_the_pump_or_an_order_did_is_none(initiator: str, counted: int) -> None:
    segments = """
        | infusion_id | rate_ml_h | started_at       | ended_at         |
        | i1          | 10        | 2026-10-05 08:00 | 2026-10-05 09:00 |
        | i1          | 20        | 2026-10-05 09:00 | 2026-10-05 10:00 |
    """
    events = f"| kind | occurred_at | initiator |\n| rate_changed | 2026-10-05 09:00 | {initiator} |"
    assert changes(segments, events)[0] == counted


def test_a_change_right_before_a_lost_stop_is_one_and_an_unclear_alarm_is_none() -> None:
    """What follows is an unknown stretch; only a logged rate tells that somebody changed it."""
    segments = """
        | infusion_id | state   | rate_ml_h | started_at       | ended_at         |
        | i1          | running | 10        | 2026-10-05 08:00 | 2026-10-05 09:00 |
        | i1          | unknown | -         | 2026-10-05 09:00 | 2026-10-05 12:00 |
    """
    assert changes(segments)[0] == 0
    event = (
        "| kind | occurred_at | rate_ml_h | initiator |\n| rate_changed | 2026-10-05 09:00 | {rate} | {who} |"
    )
    assert changes(segments, event.format(rate=20, who="-"))[0] == 1
    assert changes(segments, event.format(rate=10, who="-"))[0] == 0
    assert changes(segments, event.format(rate=20, who="pump"))[0] == 0
    # the very last row of the log: nothing follows it at all
    alone = "\n".join(segments.splitlines()[:-2])
    assert changes(alone)[0] == 0
    assert changes(alone, event.format(rate=20, who="-"))[0] == 1


def test_a_change_stands_in_the_month_and_area_in_which_it_was_made() -> None:
    drawn = {
        "infusions": "| infusion_id | started_at |\n| i1 | 2026-10-31 20:00 |",
        "segments": """
            | infusion_id | care_area | rate_ml_h | started_at       | ended_at         |
            | i1          | icu       | 10        | 2026-10-31 20:00 | 2026-10-31 22:00 |
            | i1          | icu       | 20        | 2026-10-31 22:00 | 2026-11-01 01:00 |
            | i1          | ward      | 60        | 2026-11-01 01:00 | 2026-11-01 02:00 |
        """,
    }
    own = site(areas=("icu", "ward"), **LOW)
    found = Figures(store(**drawn), own, ["2026-10", "2026-11"])
    of = {(r["month"], r["care_area"]): counts(r) for r in cells(found, "user_rate_changes")}
    assert of == {
        ("2026-10", "icu"): (1, 4), ("2026-10", "ward"): (0, 0),
        ("2026-11", "icu"): (0, 1), ("2026-11", "ward"): (1, 1),
    }  # fmt: skip


def test_changes_of_the_table_of_infusions_are_found_again() -> None:
    """Rebuilt from a log, the changes with their moments are as many as `user_rate_changes` says: 20, 30, 80."""
    log = events_of("""
        at       | kind               | initiator | rate_ml_h | volume_to_infuse_ml
        08:00:00 | infusion_started   |           | 10        |
        08:10:00 | rate_changed       | user      | 20        |
        08:20:00 | rate_changed       |           | 30        |
        08:30:00 | rate_changed       | pump      | 40        |
        08:40:00 | rate_changed       | order     | 50        |
        08:50:00 | rate_changed       |           | 50        |
        09:00:00 | programme_changed  |           |           | 500
        09:10:00 | infusion_paused    |           |           |
        09:10:01 | infusion_resumed   |           | 70        |
        09:30:00 | infusion_stopped   |           |           |
        09:30:02 | infusion_started   |           | 80        |
        09:50:00 | infusion_stopped   |           |           |
    """)
    assert found_again(log) == ([3], [(10, 20), (20, 30), (70, 80)])


@pytest.mark.parametrize(
    ("changed", "found"),
    [
        # 20 mg/h of 2 mg/mL are 10 mL/h, what ran before; 30 mg/h are 15, 0.5 mg/kg/h for 80 kg are 20
        pytest.param("20 | mg/h", [], marks=LONG),
        pytest.param("30 | mg/h", [(10, 15)], marks=LONG),
        ("0.5 | mg/kg/h", [(10, 20)]),
        ("300 | [IU]/h", []),
    ],
)
def test_ruling_51_a_change_of_the_dose_alone_right_before_a_lost_stop(
    changed: str, found: list[tuple[float, float]]
) -> None:
    log = events_of(f"""
        at    | kind             | entry   | rate_ml_h | dose_value | dose_unit | concentration_value | concentration_unit | weight_kg
        08:00 | infusion_started | insulin | 10        | 20         | mg/h      | 2                   | mg/mL              | 80
        09:00 | rate_changed     |         |           | {changed}              |                     |                    |
        12:00 | infusion_started | heparin | 5         |            |           |                     |                    |
        12:30 | infusion_stopped |         |           |            |           |                     |                    |
    """)
    assert found_again(log) == ([len(found), 0], found)


def found_again(log: list[dict[str, Any]]) -> tuple[list[int], list[tuple[float, float]]]:
    """Return the changes of each infusion of a rebuilt log, and those that the measure finds: from, to."""
    con = connection_with(log, {}, Thresholds())
    build(con)
    told = con.execute("select user_rate_changes from infusions order by started_at").fetchall()
    for name in ("ignored", "ingests", "libraries"):
        con.register(f"{name}_given", table(name, "| path |\n| a.csv |" if name == "ingests" else ""))
        con.execute(f"drop view if exists {name}")
        con.execute(f"create temp table {name} as select * from {name}_given")
    calculate(con, site(**LOW), None, ["2026-03"])
    found = con.execute("select rate_before_ml_h, rate_ml_h from rate_changes order by changed_at").fetchall()
    return [row[0] for row in told], found


STALE = {
    "libraries": """
        | library_version | library_published_at | entry    |
        | 7               | 2026-01-01 00:00     | morphine |
        | 8               | 2026-10-01 00:00     | morphine |
    """,
    "events": """
        | event_id | pump_id | pump_model | occurred_at      | library_version |
        | m1       | P1      | alpha      | 2026-10-04 00:00 | 8               |
        | m2       | P2      | alpha      | 2026-09-01 00:00 | 7               |
        | m3       | P3      | beta       | 2026-09-01 00:00 | 7               |
    """,
}


def stale(infusions: str, own: Any = None, **more: Any) -> dict[str, Any]:
    found = measured(own, infusions=infusions, **{**STALE, **more})
    return cell(found, "stale_library_share", care_area="icu")


def test_a_start_is_stale_more_than_seven_days_after_a_newer_release_was_available_to_the_model() -> None:
    """8 was out on 1 October for model alpha; beta never had it. b is exactly at seven days, c after it."""
    row = stale("""
        | infusion_id | pump_id | library_version | started_at          |
        | a           | P2      | 7               | 2026-10-05 00:00:00 |
        | b           | P2      | 7               | 2026-10-08 00:00:00 |
        | c           | P2      | 7               | 2026-10-08 00:00:01 |
        | d           | P1      | 8               | 2026-10-20 00:00:00 |
        | e           | P3      | 7               | 2026-10-20 00:00:00 |
        | f           | P3      | -               | 2026-10-20 00:00:00 |
    """)
    assert counts(row) == (1, 5)
    assert "left out: 1 start of unknown library version (16.7 %)" in row["reason"]


def test_without_a_day_in_the_library_files_a_release_is_available_from_its_first_sight() -> None:
    """8 was first seen on an alpha on the 4th: stale from the 11th on."""
    drawn = """
        | infusion_id | pump_id | library_version | started_at       |
        | a           | P2      | 7               | 2026-10-10 12:00 |
        | b           | P2      | 7               | 2026-10-11 12:00 |
    """
    assert counts(stale(drawn, libraries="")) == (1, 2)


def test_the_days_are_a_setting_of_the_site() -> None:
    drawn = "| infusion_id | pump_id | library_version | started_at |\n| a | P2 | 7 | 2026-10-20 00:00 |"
    assert counts(stale(drawn)) == (1, 1)
    own = site(thresholds={"stale_library_days": 30}, **LOW)
    assert counts(stale(drawn, own)) == (0, 1)


def test_false_starts_and_what_is_no_start_are_in_neither() -> None:
    row = stale("""
        | infusion_id | pump_id | library_version | started_at       | false_start | start_kind     |
        | a           | P2      | 7               | 2026-10-20 00:00 | yes         | start          |
        | b           | P2      | 7               | 2026-10-20 00:00 | no          | patient_change |
        | c           | P2      | 7               | 2026-10-20 00:00 | no          | start          |
    """)
    assert counts(row) == (1, 1)
