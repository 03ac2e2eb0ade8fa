"""Findings: one small drawn log a rule, with a case that just falls under it and one that just does not.

The log becomes infusions, attempts and alarms by the product's own queries; here stands what the rule then says.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from tests.marks import LONG
from tests.spec.drawn import Row, clock, connection_with, events_of
from tests.spec.together import ALONE, Together, played

from dripledger.engine import build_relations
from dripledger.incidents.given import make_settings
from dripledger.incidents.rows import fetch
from dripledger.incidents.rules import RULES
from dripledger.infusions import build
from dripledger.schema import TABLES
from dripledger.site import Site, SiteSettings, Thresholds


def found(
    rule: str,
    log: str,
    *,
    libraries: Sequence[Mapping[str, Any]] = (),
    quarantined: Sequence[Row] = (),
    every: Mapping[str, Any] | None = None,
) -> list[Row]:
    """Return the rows of one rule over a drawn log."""
    events = events_of("\n".join(line.strip().strip("|") for line in log.splitlines()))
    for event in events:
        event.update({k: v for k, v in (every or {}).items() if event[k] is None})
    if quarantined:
        return _found(events, libraries, quarantined, [rule])[rule]
    TOGETHER.note(events, (libraries,))
    if TOGETHER.is_noting:
        pytest.skip("only the log is asked for")
    made = TOGETHER.made(events, (libraries,)) or _found(events, libraries, (), [rule])
    return made[rule]


def found_in(rule: str, *logs: str) -> list[list[Row]]:
    """Return the rows of one rule over each of several drawn logs."""
    if TOGETHER.is_noting:
        for log in logs:
            with contextlib.suppress(pytest.skip.Exception):
                found(rule, log)
        pytest.skip("only the logs are asked for")
    return [found(rule, log) for log in logs]


def _found(
    events: Sequence[Row],
    libraries: Sequence[Mapping[str, Any]],
    quarantined: Sequence[Row],
    rules: Sequence[str],
) -> dict[str, list[Row]]:
    con = connection_with(events, {}, Thresholds(), quarantined)
    try:
        con.execute(f"create temp table ignored as {TABLES['ignored'].empty_select()}")
        build(con, keep_steps=True)
        con.register("_lib", pa.Table.from_pylist(list(libraries), schema=TABLES["libraries"].arrow_schema))
        con.execute("create temp table libraries as select * from _lib")
        settings = SiteSettings(format=1, facility="Linden", time_zone="UTC")
        make_settings(con, Site(Path(), settings, None, (), (), (), None))
        build_relations(con, "infusions", ["pump_places"])
        build_relations(con, "incidents", [RULES[rule].relation for rule in rules])
        asked = "select f.* from {} as f order by f.at, f.channel, f.evidence"
        return {rule: fetch(con, asked.format(RULES[rule].relation)) for rule in rules}
    finally:
        con.close()


TOGETHER = Together(lambda events, needs: _found(events, *needs, (), list(RULES)))


@pytest.fixture(
    autouse=True, scope="module", params=["together", pytest.param(ALONE, marks=pytest.mark.slow)]
)
def found_together(request: pytest.FixtureRequest) -> Iterator[None]:
    """Look for the findings of all logs at once: of the first logs of each test; those asked for later alone."""
    alone = request.param == ALONE
    TOGETHER.gather([] if alone else played(request.session.items, request.module, "together"))
    yield
    TOGETHER.gather([])


RUN = """
    | at    | kind             | library_use | entry    | rate_ml_h | initiator |
    | 08:00 | infusion_started | limited     | morphine | 12.5      |           |
"""


@pytest.mark.parametrize(
    ("rate", "factor"), [("125", 10), ("62.5", 5), ("2.5", 5), ("62.4", None), ("2.6", None)]
)
def test_a_rate_that_became_fivefold(rate: str, factor: float | None) -> None:
    rows = found("rate_step", RUN + f"""
    | 09:00 | rate_changed     |             |          | {rate}    | user      |
    | 10:00 | infusion_stopped |             |          |           |           |
    """)  # fmt: skip
    assert [(r["size"], r["before_value"], r["after_value"], r["evidence"]) for r in rows] == (
        [] if factor is None else [(factor, 12.5, float(rate), ["e2"])]
    )


def test_a_rate_step_across_a_pause_is_found_and_one_of_the_pump_is_not() -> None:
    rows = found("rate_step", RUN + """
    | 09:00 | infusion_paused  |             |          |           |           |
    | 09:05 | infusion_resumed |             |          | 125       |           |
    | 10:00 | rate_changed     |             |          | 12.5      | pump      |
    | 11:00 | infusion_stopped |             |          |           |           |
    """)  # fmt: skip
    assert [(r["at"], r["after_value"]) for r in rows] == [(clock("09:05"), 125)]


@pytest.mark.parametrize(
    ("dose", "unit", "steps"),
    [
        ("50", "ug/kg/min", [(10, 5, 50, "ug/kg/min", "up")]),
        ("1", "ug/kg/min", [(5, 5, 1, "ug/kg/min", "down")]),
        ("24.9", "ug/kg/min", []),
        # another unit: nothing says how the two compare
        ("50", "mg/h", []),
    ],
)
def test_a_dose_that_became_tenfold_where_no_rate_can_be_told(
    dose: str, unit: str, steps: list[tuple[float, float, float, str, str]]
) -> None:
    rows = found("rate_step", f"""
    | at    | kind             | library_use | entry    | dose_value | dose_unit | rate_ml_h | initiator |
    | 08:00 | infusion_started | limited     | dopamine | 5          | ug/kg/min |           |           |
    | 09:00 | rate_changed     |             |          | {dose}     | {unit}    |           | user      |
    | 10:00 | infusion_stopped |             |          |            |           |           |           |
    """)  # fmt: skip
    assert [(r["size"], r["before_value"], r["after_value"], r["unit"], r["detail"]) for r in rows] == steps


def test_where_rates_are_told_they_are_compared_and_not_the_doses() -> None:
    rows = found("rate_step", """
    | at    | kind             | library_use | entry    | dose_value | dose_unit | rate_ml_h | initiator |
    | 08:00 | infusion_started | limited     | dopamine | 5          | ug/kg/min | 4         |           |
    | 09:00 | rate_changed     |             |          | 50         | ug/kg/min | 8         | user      |
    | 10:00 | infusion_stopped |             |          |            |           |           |           |
    """)  # fmt: skip
    assert rows == []


def test_a_value_past_a_limit_and_confirmed() -> None:
    log = """
    | at       | kind             | library_use | entry    | rate_ml_h | limit_kind | limit_side | limit_quantity | limit_value | entered_value | limit_unit |
    | 08:00:00 | limit_alerted    |             | morphine |           | soft       | high       | flow_rate      | 10          | 60            | mL/h       |
    | 08:00:05 | limit_overridden |             | morphine |           | soft       | high       | flow_rate      | 10          | 60            | mL/h       |
    | 08:00:06 | infusion_started | limited     | morphine | 60        |            |            |                |             |               |            |
    | 09:00:00 | infusion_stopped |             |          |           |            |            |                |             |               |            |
    """
    (row,) = found("past_limit", log)
    assert (row["size"], row["before_value"], row["after_value"], row["unit"]) == (6, 10, 60, "mL/h")
    assert row["detail"] == "soft high flow_rate"
    assert row["evidence"] == ["e1", "e2"]
    assert "60 mL/h was confirmed past the soft high flow rate limit of 10 mL/h, 6 times" in RULES[
        "past_limit"
    ].says(row)


def test_the_kind_of_a_limit_is_that_of_the_limit_named() -> None:
    log = """
    | at       | kind             | library_use | entry    | rate_ml_h | limit_kind | limit_side | limit_quantity | limit_value | entered_value | limit_unit |
    | 08:00:00 | limit_alerted    |             | morphine |           | hard       | high       | flow_rate      | 100         | 500           | mL/h       |
    | 08:00:10 | limit_alerted    |             | morphine |           | soft       | high       | flow_rate      | 50          | 80            | mL/h       |
    | 08:00:20 | limit_overridden |             | morphine |           | soft       | high       | flow_rate      | 50          | 80            | mL/h       |
    | 08:00:25 | infusion_started | limited     | morphine | 80        |            |            |                |             |               |            |
    | 09:00:00 | infusion_stopped |             |          |           |            |            |                |             |               |            |
    """
    (row,) = found("past_limit", log)
    assert (row["before_value"], row["detail"]) == (50, "soft high flow_rate")


def test_entered_tenfold_and_brought_inside() -> None:
    log = """
    | at       | kind                       | library_use | entry    | rate_ml_h | limit_kind | limit_side | limit_quantity | limit_value | entered_value | limit_unit |
    | 08:00:00 | limit_alerted              |             | morphine |           | soft       | high       | flow_rate      | 10          | 60            | mL/h       |
    | 08:00:05 | reprogrammed_within_limits |             | morphine |           | soft       | high       | flow_rate      | 10          | 6             | mL/h       |
    | 08:00:06 | infusion_started           | limited     | morphine | 6         |            |            |                |             |               |            |
    | 09:00:00 | infusion_stopped           |             |          |           |            |            |                |             |               |            |
    """
    (row,) = found("entered_step", log)
    assert (row["size"], row["before_value"], row["after_value"], row["detail"]) == (
        10,
        60,
        6,
        "within_limits",
    )


def test_outside_the_library_the_drug_is_known_only_where_something_names_it() -> None:
    log = """
    | at    | kind             | channel | library_use | entry    | rate_ml_h |
    | 08:00 | infusion_started | A       | limited     | morphine | 5         |
    | 09:00 | library_bypassed | A       |             |          | 50        |
    | 10:00 | infusion_stopped | A       |             |          |           |
    | 12:00 | library_bypassed | A       |             |          |           |
    | 12:01 | infusion_started | A       | bypassed    |          | 30        |
    | 13:00 | infusion_stopped | A       |             |          |           |
    """
    rows = found("outside_library", log)
    # 50 mL/h x 1 h = 50 mL; 30 mL/h x 59 min = 29.5 mL
    assert [(r["detail"], r["after_value"]) for r in rows] == [("morphine", 50.0), ("", 29.5)]


def test_weights_of_one_patient() -> None:
    log = """
    | at    | kind            | weight_kg | implausible          | patient_key |
    | 08:00 | patient_changed |           |                      | k1          |
    | 08:01 | weight_changed  | 70        |                      |             |
    | 08:05 | weight_changed  | 154.32    |                      |             |
    | 08:06 | weight_changed  | 1800      | weight_over_500_kg   |             |
    | 09:00 | patient_changed |           |                      | k2          |
    | 09:01 | weight_changed  | 90        |                      |             |
    """
    assert [(r["before_value"], r["after_value"]) for r in found("weight_changed", log)] == [
        (70, 154.32), (154.32, 1800),
    ]  # fmt: skip
    assert [(r["after_value"], r["detail"]) for r in found("weight_implausible", log)] == [
        (1800, "weight_over_500_kg")
    ]
    # 154.32 / 70 = 2.2046: pounds; the weight of the next patient is compared with nothing
    assert [(r["before_value"], r["after_value"]) for r in found("weight_in_pounds", log)] == [(70, 154.32)]


@pytest.mark.parametrize(
    ("between", "key", "changed"),
    [("key_pressed", "k1", True), ("key_pressed", "", True), ("key_pressed", "k2", False),
     ("powered_off", "k1", False), ("patient_changed", "", False)],
)  # fmt: skip
def test_a_weight_is_changed_only_for_one_patient_and_while_the_pump_is_on(
    between: str, key: str, changed: bool
) -> None:
    rows = found("weight_changed", f"""
    | at    | kind           | weight_kg | patient_key |
    | 08:00 | weight_changed | 70        | k1          |
    | 08:30 | {between}      |           |             |
    | 09:00 | weight_changed | 3         | {key}       |
    """)  # fmt: skip
    assert [r["after_value"] for r in rows] == ([3] if changed else [])


def test_a_weight_carried_to_another_patient_that_only_a_key_tells() -> None:
    log = """
    | at    | kind             | library_use | entry | rate_ml_h | weight_kg | dose_value | dose_unit | concentration_value | concentration_unit | patient_key |
    | 08:00 | infusion_started | limited     | dopa  | 5         | 70        | 4          | ug/kg/min | 3.36                | mg/mL              | k1          |
    | 09:00 | infusion_stopped |             |       |           |           |            |           |                     |                    |             |
    | 10:00 | infusion_started | limited     | dopa  | 5         | {weight}  | 4          | ug/kg/min | 3.36                | mg/mL              | {key}       |
    | 11:00 | infusion_stopped |             |       |           |           |            |           |                     |                    |             |
    """
    logs = [
        log.replace("{key}", key).replace("{weight}", weight)
        for key, weight in (("k2", ""), ("k1", ""), ("", ""), ("k2", "70"))
    ]
    (row,), same, not_known, weighed_anew = found_in("weight_carried", *logs)
    assert (row["at"], row["after_value"], row["evidence"]) == (clock("10:00"), 70, ["e3", "e1"])
    assert (same, not_known, weighed_anew) == ([], [], [])


def test_a_weight_past_its_limit_that_would_fit_as_pounds() -> None:
    log = """
    | at       | kind             | library_use | entry    | rate_ml_h | weight_kg | limit_kind | limit_side | limit_quantity | limit_value | entered_value | limit_unit |
    | 08:00:00 | limit_alerted    |             |          |           |           | soft       | high       | weight         | 112         | {value}       | kg         |
    | 08:00:05 | limit_overridden |             |          |           |           | soft       | high       | weight         | 112         | {value}       | kg         |
    | 08:01:00 | infusion_started | limited     | morphine | 5         | {value}   |            |            |                |             |               |            |
    | 09:00:00 | infusion_stopped |             |          |           |           |            |            |                |             |               |            |
    """
    (row,), past = found_in("weight_in_pounds", *(log.replace("{value}", kg) for kg in ("159", "260")))
    assert row["before_value"] == pytest.approx(159 * 0.45359237)
    assert past == [], "118 kg as pounds: past it as well"


def test_a_weight_carried_across_a_patient_change() -> None:
    log = """
    | at    | kind             | library_use | entry | rate_ml_h | weight_kg | dose_value | dose_unit | concentration_value | concentration_unit | patient_key |
    | 08:00 | patient_changed  |             |       |           |           |            |           |                     |                    | k1          |
    | 08:01 | weight_changed   |             |       |           | 70        |            |           |                     |                    |             |
    | 08:02 | infusion_started | limited     | dopa  | 5         |           | 4          | ug/kg/min | 3.36                | mg/mL              |             |
    | 09:00 | infusion_stopped |             |       |           |           |            |           |                     |                    |             |
    | 09:30 | patient_changed  |             |       |           |           |            |           |                     |                    | k2          |
    {new}
    | 10:00 | infusion_started | limited     | dopa  | 5         |           | 4          | ug/kg/min | 3.36                | mg/mL              |             |
    | 11:00 | infusion_stopped |             |       |           |           |            |           |                     |                    |             |
    """
    weighed = "| 09:31 | weight_changed | | | | 70 | | | | | |"
    (row,), anew = found_in("weight_carried", *(log.replace("{new}", new) for new in ("", weighed)))
    assert (row["at"], row["after_value"], row["evidence"]) == (clock("10:00"), 70, ["e5", "e2"])
    assert anew == [], "weighed anew, and as heavy"


def test_programmed_values_that_do_not_fit() -> None:
    log = """
    | at    | kind             | library_use | entry | rate_ml_h | weight_kg | dose_value | dose_unit | concentration_value | concentration_unit | volume_to_infuse_ml | programmed_duration_s |
    | 08:00 | infusion_started | limited     | dopa  | {rate}    | 70        | 4          | ug/kg/min | 3.36                | mg/mL              | {volume}            | 3600                  |
    | 09:00 | infusion_stopped |             |       |           |           |            |           |                     |                    |                     |                       |
    """
    # 4 ug/kg/min x 70 kg x 60 min = 16.8 mg/h; / 3.36 mg/mL = 5 mL/h; x 1 h = 5 mL
    logs = [
        log.replace("{rate}", rate).replace("{volume}", volume)
        for rate, volume in (("5", "5.2"), ("50", "50"), ("5", "50"))
    ]
    fits, rows, of_volume = found_in("programme_misfit", *logs)
    assert fits == []
    assert [(r["detail"], r["before_value"], round(r["after_value"], 9)) for r in rows] == [("dose", 50, 5)]
    assert [(r["detail"], r["before_value"], r["after_value"]) for r in of_volume] == [("volume", 50, 5)]


@pytest.mark.parametrize(("until", "minutes"), [("10:01", 61.0), ("10:00", None)])
def test_one_entry_on_two_channels_and_a_relay(until: str, minutes: float | None) -> None:
    rows = found("two_channels", f"""
    | at      | kind             | channel | library_use | entry    | rate_ml_h |
    | 08:00   | infusion_started | A       | limited     | morphine | 5         |
    | 09:00   | infusion_started | B       | limited     | morphine | 5         |
    | {until} | infusion_stopped | A       |             |          |           |
    | 12:00   | infusion_stopped | B       |             |          |           |
    """)  # fmt: skip
    assert [(r["size"], r["evidence"]) for r in rows] == (
        [] if minutes is None else [(minutes, ["e1", "e2"])]
    )


ALARM = """
    | at       | kind             | library_use | entry    | rate_ml_h | alarm_id | alarm_kind | stops_delivery |
    | 08:00:00 | infusion_started | limited     | morphine | 5         |          |            |                |
    | 09:00:00 | alarm_raised     |             |          |           | 7        | occlusion  | yes            |
"""


@pytest.mark.parametrize(("clock_text", "seconds"), [("09:02:10", 10.0), ("09:02:11", None)])
def test_a_start_within_seconds_of_clearing(clock_text: str, seconds: float | None) -> None:
    rows = found("start_after_alarm", ALARM + f"""
    | 09:02:00 | alarm_cleared    |             |          |           | 7        | occlusion  |                |
    | {clock_text} | infusion_resumed |         |          | 5         |          |            |                |
    | 10:00:00 | infusion_stopped |             |          |           |          |            |                |
    """)  # fmt: skip
    assert [(r["size"], r["evidence"]) for r in rows] == (
        [] if seconds is None else [(seconds, ["e2", "e4"])]
    )


@pytest.mark.parametrize(("silenced", "minutes"), [("09:10:01", 601 / 60), ("09:10:00", None)])
def test_an_alarm_long_unanswered(silenced: str, minutes: float | None) -> None:
    rows = found("alarm_unanswered", ALARM + f"""
    | {silenced} | alarm_silenced |             |          |           | 7        | occlusion  |                |
    | 09:30:00 | alarm_cleared    |             |          |           | 7        | occlusion  |                |
    | 10:00:00 | infusion_stopped |             |          |           |          |            |                |
    """)  # fmt: skip
    assert [r["size"] for r in rows] == ([] if minutes is None else [pytest.approx(minutes)])


def test_an_alarm_that_is_never_cleared_stands_until_the_log_shows_its_end() -> None:
    (row,) = found("alarm_unanswered", ALARM + """
    | 10:00:00 | infusion_stopped |             |          |           |          |            |                |
    """)  # fmt: skip
    assert row["size"] == pytest.approx(60)
    assert "never silenced or cleared" in RULES["alarm_unanswered"].says(row)


@pytest.mark.parametrize(("version", "expected"), [("4.1", 1), ("4.2", 0)])
def test_a_start_on_a_library_that_is_out_of_date(version: str, expected: int) -> None:
    libraries = [
        {
            "library_version": v,
            "library_published_at": clock(f"2026-0{m}-01T00:00:00+00:00"),
            "entry": "morphine",
        }
        for v, m in (("4.1", 1), ("4.2", 2))
    ]
    rows = found("stale_library", """
    | at    | kind             | library_use | entry    | rate_ml_h |
    | 08:00 | infusion_started | limited     | morphine | 5         |
    | 10:00 | infusion_stopped |             |          |           |
    """, libraries=libraries, every={"library_version": version})  # fmt: skip
    # 1 February to 10 March, 08:00: 37 days and 8 hours
    assert [round(r["size"], 3) for r in rows] == [37.333] * expected


def test_records_missing_and_records_that_only_cannot_be_read() -> None:
    log = """
    | at    | kind             | sequence | library_use | entry    | rate_ml_h |
    | 08:00 | infusion_started | 1        | limited     | morphine | 5         |
    | 09:00 | rate_changed     | 5        |             |          | 6         |
    | 10:00 | infusion_stopped | 6        |             |          |           |
    """
    (row,) = found("log_missing", log)
    assert (row["at"], row["until_at"], row["size"], row["detail"]) == (
        clock("08:00"),
        clock("09:00"),
        3,
        "0",
    )
    waiting = {
        "source_file_sha256": "f1", "source_name": "wards", "source_record": 9, "ingest_id": "i1", "record_md5": "",
        "reasons": ["not_a_number"], "explanation": "", "facility": "Linden", "pump_id": "P1", "sequence": 3,
    }  # fmt: skip
    (row,) = found("log_missing", log, quarantined=[waiting])
    assert (row["size"], row["detail"]) == (2, "1")
    three = [{**waiting, "source_record": n, "sequence": n} for n in (2, 3, 4)]
    assert found("log_missing", log, quarantined=three) == [], "all came; they are lines of the timeline"


@pytest.mark.parametrize(
    ("record", "told", "perhaps"),
    [
        (2, {}, 1),  # neither pump nor number can be read, and it lies between the two in their file
        pytest.param(2, {"pump_id": "P1"}, 1, marks=LONG),
        (2, {"pump_id": "P2"}, 0),
        pytest.param(2, {"sequence": 3}, 1, marks=LONG),
        pytest.param(2, {"sequence": 7}, 0, marks=LONG),
        (9, {}, 0),
        pytest.param(2, {"source_file_sha256": "f2"}, 0, marks=LONG),
    ],
)
def test_a_number_that_may_be_that_of_a_record_that_waits(
    record: int, told: dict[str, Any], perhaps: int
) -> None:
    log = """
    | at    | kind             | sequence | library_use | entry    | rate_ml_h | source_record |
    | 08:00 | infusion_started | 1        | limited     | morphine | 5         | 1             |
    | 09:00 | rate_changed     | 4        |             |          | 6         | 4             |
    | 10:00 | infusion_stopped | 5        |             |          |           | 5             |
    """
    waiting = {
        "source_file_sha256": "f1", "source_name": "wards", "source_record": record, "ingest_id": "i1",
        "record_md5": "", "reasons": ["wrong_number_of_fields"], "explanation": "", "facility": "Linden",
    } | told  # fmt: skip
    (row,) = found("log_missing", log, quarantined=[waiting])
    assert (row["size"], row["perhaps"]) == (2, perhaps)
    said = RULES["log_missing"].says(row)
    assert said == (
        "Of the pump's numbers 2 to 3, 2 are in no record that could be read; 1 of them may be in the record that "
        "waits unread between their neighbours in the file, and 1 never reached us."
        if perhaps
        else "Of the pump's numbers 2 to 3, 2 never reached us."
    )


def test_a_clock_that_was_set_and_one_that_stepped_back() -> None:
    rows = found("clock_set", """
    | at    | kind             | channel | sequence | library_use | entry    | rate_ml_h |
    | 08:00 | infusion_started | A       | 1        | limited     | morphine | 5         |
    | 09:00 | clock_set        |         | 2        |             |          |           |
    | 08:30 | rate_changed     | A       | 3        |             |          | 6         |
    | 10:00 | infusion_stopped | A       | 4        |             |          |           |
    """)  # fmt: skip
    assert [(r["detail"], r["size"]) for r in rows] == [("back", 1800.0), ("set", None)]


@pytest.mark.parametrize(("total", "expected"), [("10.5", 0), ("10.6", 1), ("9.4", 1)])
def test_the_pumps_own_total(total: str, expected: int) -> None:
    # 10 mL/h x 1 h = 10 mL; 5 % of the larger, and 0.5 mL at least
    rows = found("volume_differs", f"""
    | at    | kind             | library_use | entry    | rate_ml_h | volume_delivered_ml | volume_scope |
    | 08:00 | infusion_started | limited     | morphine | 10        |                     |              |
    | 09:00 | volume_reported  |             |          |           | {total}             | infusion     |
    | 10:00 | infusion_stopped |             |          |           |                     |              |
    """)  # fmt: skip
    assert [(r["before_value"], r["after_value"]) for r in rows] == [(10.0, float(total))] * expected


def test_every_rule_has_a_query_and_every_query_a_rule() -> None:
    from dripledger.engine.sqlfiles import load_sql_files

    queries = {name for name in load_sql_files("incidents") if name.startswith("finding_")}
    assert queries == {rule.relation for rule in RULES.values()}
    assert {rule.word for rule in RULES.values()} == {"fact", "suspicion"}
    assert all(rule.alternative.endswith(".") for rule in RULES.values())
