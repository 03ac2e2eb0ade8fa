"""The page on limit alerts, alarms and changes: figures, sums, and cases that can be looked up."""

from __future__ import annotations

import csv
import re
from datetime import date
from html import unescape
from typing import Any

import duckdb
import pytest
from tests.measure_samples import site, store

from dripledger.lists import ReviewRow
from dripledger.measures import MEASURES, Month
from dripledger.reports import Stamp, build, folder, words
from dripledger.reports.areas import area_leaves
from dripledger.reports.blocks import Cell, Leaf
from dripledger.reports.case_list import CaseRow, farthest, read_cases
from dripledger.reports.entries import entry_leaves
from dripledger.reports.figures import for_people
from dripledger.reports.first import cases_page
from dripledger.reports.material import Material, gather
from dripledger.reports.page_html import _blocks
from dripledger.reports.pumps import alarms_leaf, read_pumps
from dripledger.reports.texts import KIND_WORDS
from dripledger.site import EntryRow

pytest.importorskip("jinja2", reason="the extra [report] is not installed")

OCTOBER = Month(2026, 10)
STAMP = Stamp(
    facility="Fennmoor General", time_zone="Europe/Lisbon", store_version=3, committed_on="2026-11-02",
    code_version="0.1.0", definitions_version="2", declarations_sha256="ab" * 32,
)  # fmt: skip
NASTY = "<script>alert('x')</script>"
SHA = "c0ffee" * 10 + "c0ff"


def sample(cases: int = 1) -> dict[str, Any]:
    """A far override and an attempt that left; a long stop; a sixfold change; all of one night at 03:12."""
    attempts = [
        {"attempt_id": f"far{k}", "first_alert_at": "2026-10-05 02:12:45", "entry": NASTY, "limit_value": "5",
         "limit_unit": "mg/h", "entered_first": "60", "entered_final": "50", "limit_multiple": "10",
         "reversed": "yes"}
        for k in range(cases)
    ]  # fmt: skip
    attempts += [
        {"attempt_id": "left", "first_alert_at": "2026-10-31 23:30:00", "outcome": "left_library",
         "limit_value": "2", "limit_unit": "mg/h", "entered_first": "7", "limit_multiple": "3.5"},
        {"attempt_id": "odd", "outcome": "unknown", "met_hard": "yes"},
    ]  # fmt: skip
    return {
        "attempts": attempts,
        "infusions": [{"infusion_id": "i1", "entry": "insulin", "started_at": "2026-10-05 02:12:45"}],
        "segments": [
            {"infusion_id": "i1", "entry": "insulin", "state": state, "rate_ml_h": rate,
             "started_at": f"2026-10-05 {begin}", "ended_at": f"2026-10-05 {end}"}
            for state, rate, begin, end in (
                ("running", "2", "02:12:45", "03:12:45"), ("running", "12", "03:12:45", "04:12:45"),
                ("stopped_by_alarm", "0", "04:12:45", "04:30:45"),
            )
        ],
        "events": [
            {"event_id": "far0", "source_record": 17, "source_file_sha256": SHA, "kind": "limit_alerted"},
            {"event_id": "left", "source_record": 18, "source_file_sha256": SHA, "kind": "limit_alerted"},
            {"event_id": "c", "source_record": 19, "source_file_sha256": SHA, "kind": "rate_changed",
             "occurred_at": "2026-10-05 03:12:45"},
            {"event_id": "s", "source_record": 20, "source_file_sha256": SHA, "kind": "alarm_raised",
             "occurred_at": "2026-10-05 04:12:45"},
        ],
        "ingests": [{"path": "wards/night.csv", "source_file_sha256": SHA}],
        "alarms": [{"alarm_id": "s", "raised_at": "2026-10-05 04:12:45", "ended_at": "2026-10-05 04:30:45"}],
    }  # fmt: skip


def own(*reviews: ReviewRow) -> Any:
    lists = {"entries": (EntryRow("insulin", True, ()),), "reviews": reviews}
    return site(zone="Europe/Lisbon", lists=lists)


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    return folder.render_files(store(**sample()), own(), OCTOBER, STAMP)


def built(drawn: dict[str, Any]) -> duckdb.DuckDBPyConnection:
    """Make what cases are read from, which hangs on no review."""
    con = store(**drawn)
    build(con, own(), OCTOBER)
    return con


@pytest.fixture(scope="module")
def other() -> Material:
    """253 far overrides, a feed that logs no limit alerts, two clearings that end nothing; no entries.csv."""
    drawn, of = sample(cases=253), site(zone="Europe/Lisbon")
    drawn["programmings"] = [
        {"programming_id": f"p{k}", "infusion_id": "i1", "source_name": "wards" if k < 30 else "feed"}
        for k in range(90)
    ]
    drawn["ingests"].append(
        {"source_name": "feed", "records_json": '["infusion_started"]', "source_file_sha256": "g"}
    )
    drawn["events"] += [
        {"event_id": f"k{k}", "kind": "alarm_cleared", "alarm_kind": "door_open",
         "occurred_at": "2026-10-05 07:00:00"}
        for k in range(2)
    ]  # fmt: skip
    con = store(**drawn)
    return gather(con, of, OCTOBER, STAMP, build(con, of, OCTOBER))


def told(leaf: Leaf) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", _blocks(leaf))).split())


def lines(files: dict[str, bytes], name: str, part: str) -> list[list[str]]:
    """Return the cells of the table that follows an anchor, as text."""
    _, _, text = files[name].decode().partition(f'id="{part}"')
    body = (
        text.partition("</tbody>")[0].partition("<tbody")[2] if "<tbody" in text.partition("<h2")[0] else ""
    )
    rows = re.findall(r"<tr.*?</tr>", body, re.S)
    return [
        [
            " ".join(unescape(re.sub(r"<[^>]+>", " ", cell)).split())
            for cell in re.findall(r"<t[hd].*?</t[hd]>", row, re.S)
        ]
        for row in rows
    ]


def test_a_far_override_is_listed_with_what_was_entered_and_where_it_stands(files: dict[str, bytes]) -> None:
    """02:12 UTC is 03:12 in Lisbon in October: the shift from 0 to 8."""
    (case,) = lines(files, "cases.html", "far_override")
    text = " | ".join(case)
    for part in ("2026-10-05", "00-08", "icu", NASTY, "dose rate 50 mg/h, high limit 5 mg/h", "10 times"):
        assert part in text, part
    assert "overridden, then brought inside" in text
    assert "wards/night.csv, record 17" in text


def test_an_attempt_that_left_shows_what_was_entered_first(files: dict[str, bytes]) -> None:
    (case,) = lines(files, "cases.html", "left_library")
    text = " | ".join(case)
    for part in ("2026-10-31", "16-24", "dose rate 7 mg/h, high limit 2 mg/h", "3.5 times", "record 18"):
        assert part in text, part


def test_a_long_stop_and_a_big_change_name_the_record_of_their_moment(files: dict[str, bytes]) -> None:
    ((*stop,),) = lines(files, "cases.html", "long_stop")
    assert {"insulin high-alert", "18 min"} <= set(stop)
    assert "record 20" in stop[-2]
    assert stop[-1] == "s", (
        "the id of its event, for a review and for the command that shows what the pump did"
    )
    ((*change,),) = lines(files, "cases.html", "rate_change")
    assert "raised to 6 times" in change
    assert any("2 to 12 mL/h" in cell for cell in change)
    assert "record 19" in change[-2]
    assert change[-1] == "c"
    assert change[-3] == "open"
    for name, case in (("long_stops.csv", "s"), ("rate_changes.csv", "c"), ("far_overrides.csv", "far0")):
        (row,) = csv.DictReader(files[name].decode().splitlines())
        assert row["case_id"] == case


def changed_twice(*more: dict[str, Any]) -> dict[str, Any]:
    """The sixfold change of the 5th, and a tenfold one in the same infusion on the 7th."""
    drawn = sample()
    drawn["segments"] = [
        {"infusion_id": "i1", "entry": "insulin", "rate_ml_h": rate, "started_at": begin, "ended_at": end}
        for rate, begin, end in (
            ("2", "2026-10-05 02:12:45", "2026-10-05 03:12:45"),
            ("12", "2026-10-05 03:12:45", "2026-10-07 03:00:00"),
            ("120", "2026-10-07 03:00:00", "2026-10-07 04:00:00"),
        )
    ]
    drawn["events"] += [
        {"event_id": "d", "source_record": 21, "source_file_sha256": SHA, "kind": "rate_changed",
         "occurred_at": "2026-10-07 03:00:00"},
        *more,
    ]  # fmt: skip
    return drawn


@pytest.fixture(scope="module")
def twice() -> duckdb.DuckDBPyConnection:
    return built(changed_twice())


@pytest.fixture(scope="module")
def told_by_two() -> duckdb.DuckDBPyConnection:
    """The same, but the second change lowers the rate, and a second log tells of the first one too."""
    drawn = changed_twice(
        {"event_id": "b", "source_record": 3, "source_file_sha256": SHA, "kind": "rate_changed",
         "occurred_at": "2026-10-05 03:12:45"}
    )  # fmt: skip
    drawn["segments"][2]["rate_ml_h"] = "1.2"
    return built(drawn)


def reviewed(con: duckdb.DuckDBPyConnection, case: str, on: str = "2026-11-01") -> dict[str, str]:
    """Return what stands at each case of a changed rate once `case` was reviewed."""
    found = read_cases(con, own(ReviewRow(case, "intended", date.fromisoformat(on), 2)))
    return {case.case_id: case.disposition or "open" for case in found if case.kind == "rate_change"}


def test_two_changes_in_one_infusion_are_two_cases(twice: duckdb.DuckDBPyConnection) -> None:
    assert reviewed(twice, "c") == {"c": "intended", "d": "open"}
    assert reviewed(twice, "d") == {"c": "open", "d": "intended"}


@pytest.mark.parametrize(("on", "later"), [("2026-10-06", "open"), ("2026-10-07", "intended")])
def test_a_review_by_the_infusion_holds_for_what_had_happened_by_its_day(
    twice: duckdb.DuckDBPyConnection, on: str, later: str
) -> None:
    """Once a change had the id of its infusion: such rows of reviews.csv still mean what they meant."""
    assert reviewed(twice, "i1", on) == {"c": "intended", "d": later}


def test_a_moment_that_a_second_log_tells_as_well_stays_reviewed(
    told_by_two: duckdb.DuckDBPyConnection,
) -> None:
    """The second log's event sorts first and names the case now; the review names the event of before."""
    assert reviewed(told_by_two, "c") == {"b": "intended", "d": "open"}


def test_a_lowered_rate_says_so(told_by_two: duckdb.DuckDBPyConnection) -> None:
    found = [case.size for case in read_cases(told_by_two, own()) if case.kind == "rate_change"]
    assert found == ["raised to 6 times", "lowered to 1/10"]


def test_a_stop_told_by_the_pump_is_a_case_of_each_channel() -> None:
    drawn = sample()
    drawn["infusions"].append({**drawn["infusions"][0], "infusion_id": "i2", "channel": "B"})
    drawn["segments"] += [{**segment, "infusion_id": "i2", "channel": "B"} for segment in drawn["segments"]]
    drawn["events"][3]["channel"] = "()"
    found = [case.case_id for case in read_cases(built(drawn), own()) if case.kind == "long_stop"]
    assert found == ["s:A", "s:B"]


def test_outcomes_sum_to_the_attempts_and_small_numbers_have_no_share(files: dict[str, bytes]) -> None:
    soft, hard = lines(files, "index.html", "outcomes")
    assert soft[1:] == ["3", "1", "0", "1", "0", "0", "1"]
    assert hard[1:] == ["1", "0", "0", "0", "0", "0", "1"]


def test_neither_pages_nor_lists_hold_a_clock_time(files: dict[str, bytes]) -> None:
    text = unescape(re.sub(r"<[^>]+>", " ", files["cases.html"].decode()))
    assert NASTY in text
    assert not re.search(r"\b\d{1,2}:\d{2}\b", text)
    for name in ("far_overrides.csv", "left_library.csv", "long_stops.csv", "rate_changes.csv"):
        table = files[name].decode()
        assert not re.search(r"\d\d:\d\d", table), name
        (row,) = csv.DictReader(table.splitlines())
        assert (row["source_file"], row["source_file_sha256"]) == ("wards/night.csv", SHA)
        assert f'href="{name}"' in files["cases.html"].decode()


def test_a_table_of_areas_says_how_much_is_left_out_and_the_facility_what(other: Material) -> None:
    """Two of three programmings come from a feed that logs no limit alerts."""
    assert re.search(r"0 of 30 left out: 66.7 % not recorded", told(next(area_leaves(other))))
    entries = told(next(entry_leaves(other)))
    assert "60 in-library programmings from sources that do not record limit alerts" in entries


def test_clearings_that_ended_no_alarm_are_told_beside_the_times(
    files: dict[str, bytes], other: Material
) -> None:
    said = "clearings that ended no alarm"
    assert f"2 {said}" in told(alarms_leaf(other, read_pumps(other)))
    assert said not in files["alarms.html"].decode()


def case(kind: str, far: float | None, name: str = "") -> CaseRow:
    return CaseRow(
        name or f"{kind} {far}", kind, "2026-10", date(2026, 10, 5), "00-08", "icu", "insulin", True, "", "",
        far, "", False, "P1", Cell(""), "",
    )  # fmt: skip


def test_the_first_page_shows_the_farthest_of_each_kind() -> None:
    many = [case("far_override", far) for far in (2.0, None, 9.0, *(3.0 + k / 10 for k in range(9)))]
    rare = [case("rate_change", 5.0), case("rate_change", 50.0), case("long_stop", 12.0)]
    shown = farthest([*rare, *many], 10)
    assert [one.case_id for one in shown] == [
        "far_override 9.0", *(f"far_override 3.{k}" for k in range(8, 2, -1)),
        "long_stop 12.0", "rate_change 50.0", "rate_change 5.0",
    ]  # fmt: skip


@pytest.mark.parametrize(("cases", "shown"), [(0, 0), (10, 10), (12, 12), (13, 10)])
def test_two_more_than_fit_are_not_cut_off(cases: int, shown: int) -> None:
    assert len(farthest([case("long_stop", 12.0, f"{k}") for k in range(cases)], 10)) == shown


def test_a_measure_has_one_name(files: dict[str, bytes]) -> None:
    """What the first page shows is defined under the same words."""
    page = files["index.html"].decode()
    titles = dict(re.findall(r'<a href="definitions.html#(\w+)">([^<]+)</a>', page))
    assert len(titles) >= 8
    defined = files["definitions.html"].decode()
    for name, title in titles.items():
        assert re.search(rf'<h2[^>]*id="{name}"[^>]*>\s*{re.escape(title)}', defined), title


def test_a_list_cut_short_says_how_many_more_there_are(files: dict[str, bytes], other: Material) -> None:
    assert "3 more stand in it." in told(cases_page(other))
    assert "more stand in it" not in files["cases.html"].decode()


def test_without_a_list_of_entries_long_stops_are_not_called_none(
    files: dict[str, bytes], other: Material
) -> None:
    said = "no entries.csv that says which entries are high-alert"
    assert said in told(cases_page(other))
    assert said not in files["cases.html"].decode()


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(9, "9 s"), (90, "90 s"), (150, "2 min 30 s"), (600, "10 min"), (7200, "2 h"), (9000, "2 h 30 min")],
)
def test_durations_are_written_for_people(seconds: float, text: str) -> None:
    assert words.duration(seconds, ".") == text


def test_a_reason_names_kinds_of_events_in_words() -> None:
    asked = {kind for measure in MEASURES.values() for kind in (*measure.needs, *measure.needs_any)}
    assert asked <= set(KIND_WORDS)
    reason = "left out: 3.5 h from sources that do not record one or more of limit_alerted, alarm_cleared"
    assert for_people(reason, ",") == (
        "left out: 3,5 h from sources that do not record one or more of limit alerts, the clearing of alarms"
    )
    assert for_people("some other_kind of powered_on_time", ".") == "some other_kind of powered_on_time"


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (10, 90, "10 s to 90 s"), (103, 119, "103 s to 119 s"), (103, 150, "1 min 43 s to 2 min 30 s"),
        (59, 150, "59 s to 2 min 30 s"), (60, 7200, "1 min to 2 h"),
    ],
)  # fmt: skip
def test_both_ends_of_an_interval_are_in_minutes_where_one_is(low: float, high: float, text: str) -> None:
    assert words.durations(low, high, ".") == text


@pytest.mark.parametrize(
    ("rate", "text"), [(0, "0"), (0.001, "under 0,01"), (0.456, "0,46"), (12.34, "12,3"), (1234.5, "1234")]
)
def test_some_is_never_written_as_none(rate: float, text: str) -> None:
    assert words.rate(rate, ",") == text
