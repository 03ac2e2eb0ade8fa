"""Numbers, times and checks: what the engine's casts would take and we do not."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import duckdb
import pytest
from tests.event_samples import HEADER, WARDS, drop, events, make_site, read, rows

from dripledger.engine import connect
from dripledger.errors import ConfigurationError
from dripledger.events import checks, times
from dripledger.library import load_libraries

GOOD = {"1": 1.0, "+1": 1.0, "-0.5": -0.5, ".5": 0.5, "5.": 5.0, "1e3": 1000.0, "1E-2": 0.01, " 7 ": 7.0}
BAD = (
    "nan",
    "NaN",
    "inf",
    "-Infinity",
    "1_000",
    "0x10",
    "0b1",
    "1,5",
    "1.5.2",
    "1 000",
    "true",
    "1e",
    "1e999",
)


def test_numbers(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    texts = [*GOOD, *BAD]
    lines = [
        f'P1,2026-10-01 10:00:00,{number},RATE,ICU,Heparin,"{text}",70\n'
        for number, text in enumerate(texts, start=1)
    ]
    drop(site, "wards.csv", HEADER + "".join(lines))
    read(site)
    kept = dict(rows(site, "select sequence, rate_ml_h from events"))  # type: ignore[arg-type]
    assert kept == dict(enumerate(GOOD.values(), start=1))
    assert {r[0] for r in rows(site, "select reasons[1] from quarantined")} == {"not_a_number"}


@pytest.mark.parametrize(
    ("text", "pattern", "reading", "offset"),
    [
        ("2026-10-01 10:00:05", "iso", datetime(2026, 10, 1, 10, 0, 5), None),
        ("2026-10-01T10:00", "iso", datetime(2026, 10, 1, 10, 0), None),
        ("2026-10-01T10:00:05,25", "iso", datetime(2026, 10, 1, 10, 0, 5, 250000), None),
        ("2026-10-01T10:00:05Z", "iso", datetime(2026, 10, 1, 10, 0, 5), 0),
        ("2026-10-01 10:00:05.5-05:30", "iso", datetime(2026, 10, 1, 10, 0, 5, 500000), -19800),
        ("2026-10-01 10:00:05+02", "iso", datetime(2026, 10, 1, 10, 0, 5), 7200),
        ("2026-10-01 10:00:05 Europe/Lisbon", "iso", None, None),
        ("2026-10-01", "iso", None, None),
        ("2026-13-01 10:00:00", "iso", None, None),
        ("infinity", "iso", None, None),
        ("01/10/2026 22:05", "%d/%m/%Y %H:%M", datetime(2026, 10, 1, 22, 5), None),
        ("2026-10-01 10:00", "%d/%m/%Y %H:%M", None, None),
        ("01/10/2026 22:05 +0200", "%d/%m/%Y %H:%M %z", datetime(2026, 10, 1, 22, 5), 7200),
    ],
)
def test_reading_of_times(text: str, pattern: str, reading: datetime | None, offset: int | None) -> None:
    sql = times.time_sql("t", pattern)
    con = duckdb.connect()
    con.execute("set TimeZone = 'UTC'")
    found = con.execute(f"select {sql.reading}, {sql.offset_s} from (select ? as t)", [text]).fetchall()
    con.close()
    assert found == [(reading, offset)]


#: Of 19 characters, as a plain time has, or such as the cast alone would take.
LIKE_A_PLAIN_TIME = (
    "2026-10-01 10:00:05",
    "0001-01-01 00:00:00",
    "9999-12-31 23:59:59",
    "2026-02-29 10:00:00",
    "2024-02-29 10:00:00",
    "2026-10-01 24:00:00",
    "2026-10-01 10:00:60",
    "2026-10-01T10:00:05",
    "2026-10-01 10:00+02",
    "2026-10-1 10:00:05 ",
    "26-10-01 10:00:00.5",
    "-026-10-01 10:00:05",
    "10000-01-01 00:00:0",
    "infinity",
    "-infinity",
    "epoch",
    "0044-03-15 (BC) 10:00:00",
)


def test_plain_times_are_read_as_the_pattern_reads_them() -> None:
    con = duckdb.connect()
    shown = times.time_sql("t", "iso", plain="p")
    slow = times.time_sql("t", "iso")
    found = con.execute(
        f"select t, p, {shown.reading}, {shown.offset_s}, {slow.reading}, {slow.offset_s} from "
        f"(select t, {times.plain_sql('t')} as p from (select unnest($1) as t))",
        [list(LIKE_A_PLAIN_TIME)],
    ).fetchall()
    assert [(row[2], row[3]) for row in found] == [(row[4], row[5]) for row in found]
    # what is no time, or is written in another way, has no short way
    assert [row[0] for row in found if row[1] is not None] == [
        LIKE_A_PLAIN_TIME[place] for place in (0, 1, 2, 4)
    ]


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("7", 7), ("007", 7), ("0", 0), ("-0", None), ("-7", None), ("+7", None), ("1.7", None),
        ("1e3", None), ("1_000", None), ("0x10", None), ("999999999999999999", 10**18 - 1),
        ("1000000000000000000", None),
        ("9223372036854775807", None), ("9223372036854775808", None), ("true", None),
    ],
)  # fmt: skip
def test_whole_numbers(tmp_path: Path, text: str, number: int | None) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + f"P1,2026-10-01 10:00:00,{text},RATE,ICU,Heparin,5,70\n")
    read(site)
    kept = rows(site, "select sequence from events union all select null from quarantined")
    assert [row[0] for row in kept] == [number]
    waiting = rows(site, "select reasons from quarantined")
    assert [row[0] for row in waiting] == ([] if number is not None else [["sequence_not_whole"]])


def test_offsets_in_text_are_kept(tmp_path: Path) -> None:
    """A time that carries its offset is placed by it, whatever the source's zone; the reading stays."""
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + "P1,2026-10-25T01:30:00-05:00,1,START,ICU,Heparin,5,70\n")
    read(site)
    assert events(site, ("cast(device_time as varchar)", "cast(occurred_at as varchar)", "time_quality")) == [
        ("2026-10-25 01:30:00", "2026-10-25 06:30:00+00", "exact")
    ]


@pytest.mark.parametrize("year", ["1899", "2301", "9999"])
def test_times_out_of_range(tmp_path: Path, year: str) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + f"P1,{year}-06-01 10:00:00,1,START,ICU,Heparin,5,70\n")
    read(site)
    assert rows(site, "select reasons from quarantined") == [(["time_out_of_range"],)]


def test_shifts_of_a_zone() -> None:
    """Lisbon in 2026: forward on 29 March at 01:00 UTC, back on 25 October at 01:00 UTC (EU rule)."""
    spring, autumn = times.shifts("Europe/Lisbon", 2026)
    assert (spring.start, spring.end, spring.repeats) == (
        datetime(2026, 3, 29, 1), datetime(2026, 3, 29, 2), False
    )  # fmt: skip
    assert (autumn.start, autumn.end, autumn.repeats) == (
        datetime(2026, 10, 25, 1), datetime(2026, 10, 25, 2), True
    )  # fmt: skip
    assert times.shifts("UTC", 2026) == ()


def test_checks_are_named_once() -> None:
    names = [check.name for check in checks.CHECKS]
    assert len(names) == len(set(names)) >= 18
    assert all(check.sentence and not check.sentence.endswith(".") for check in checks.CHECKS)


def test_labels_are_folded_and_the_unknown_kept(tmp_path: Path) -> None:
    site = make_site(
        tmp_path,
        extra='[care_areas."Adult intensive care"]\naliases = ["ICU  east"]\n',
        entries="entry,high_alert,aliases\nHeparin,yes,UFH|Heparin sodium\n",
    )
    lines = ["icu EAST,ufh", "Ward 9,Heparin  Sodium", "Adult Intensive Care,Quinine"]
    drop(
        site,
        "wards.csv",
        HEADER + "".join(f"P1,2026-10-01 10:00:00,{i},START,{text},5,70\n" for i, text in enumerate(lines)),
    )
    read(site)
    assert rows(
        site,
        "select care_area, care_area_logged, entry, entry_logged, unmapped from events order by sequence",
    ) == [
        ("Adult intensive care", "icu EAST", "Heparin", "ufh", []),
        ("unmapped", "Ward 9", "Heparin", "Heparin  Sodium", ["care_area"]),
        ("Adult intensive care", "Adult Intensive Care", "unmapped", "Quinine", ["entry"]),
    ]


LIBRARY = "version,published_at,care_area,entry,quantity,dosing_unit,hard_low,soft_low,soft_high,hard_high\n"


@pytest.mark.parametrize("number", ["nan", "-inf", "Infinity", "1e999", "2_000"])
def test_library_numbers_are_numbers(tmp_path: Path, number: str) -> None:
    site = make_site(tmp_path)
    text = LIBRARY + f"2026.1,,ICU,Heparin,dose_rate,Units/h,,,{number},\n"
    (site.libraries / "2026.csv").write_text(text)
    with pytest.raises(ConfigurationError, match=f"row 2, column 'soft_high': '{number}' is no number"):
        load_libraries(site)


def test_libraries_go_into_the_store(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    path = site.libraries / "2026.csv"
    path.write_text(LIBRARY + "2026.1,2026-01-05,ICU,Heparin,dose_rate,Units/h,,500,2000,3000\n")
    drop(site, "wards.csv", HEADER)
    read(site)
    assert rows(
        site, "select entry, dosing_unit, soft_high, library_published_at::varchar from libraries"
    ) == [("Heparin", "[IU]/h", 2000.0, "2026-01-05 00:00:00+00")]
    path.write_text(LIBRARY + "2026.1,2026-01-05,ICU,Heparin,dose_rate,Units/h,,2500,2000,3000\n")
    with pytest.raises(ConfigurationError, match=r"row 2, column 'soft_high': soft_high \(2000\) is below"):
        load_libraries(site)
    path.write_text(LIBRARY + "2026.1,,ICU,Heparin,dose_rate,furlong,,,,\n")
    with pytest.raises(ConfigurationError, match="no unit that is known"):
        load_libraries(site)


def test_an_alarm_label_that_a_kind_sets_is_filed_like_a_logged_one(tmp_path: Path) -> None:
    kinds = "".join(
        f'"A: {word}" = {{ kind = "alarm_raised", set = {{ alarm_label = "{word}" }} }}\n'
        for word in ("battery", "door")
    )
    alarms = '[alarms]\nbattery = { kind = "low_battery", priority = "low", stops_delivery = false }\n'
    mapping = WARDS.replace("[kinds]\n", f"[kinds]\n{kinds}") + alarms
    site = make_site(tmp_path, {"wards": mapping})
    drop(site, "wards.csv", HEADER + "P1,2026-10-01 10:00:00,1,A: battery,ICU,,,\n"
         "P1,2026-10-01 10:01:00,2,A: door,ICU,,,\n")  # fmt: skip
    read(site)
    names = "alarm_label, alarm_kind, alarm_priority, stops_delivery, unmapped"
    query = f"select {names} from events order by sequence"
    assert rows(site, query) == [
        ("battery", "low_battery", "low", False, []), ("door", "other", None, None, ["alarm"]),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("form", "text"), [("epoch_s", "1790841605"), ("epoch_s", "1790841605.5"), ("epoch_ms", "1790841605250")]
)
def test_seconds_since_1970_are_an_instant(tmp_path: Path, form: str, text: str) -> None:
    """1 October 2026, 08:00:05 UTC; the pump's reading is UTC then, whatever the site's zone."""
    mapping = WARDS.replace('zone = "site"', f'format = "{form}"\nzone = "UTC"')
    site = make_site(tmp_path, {"wards": mapping})
    drop(site, "wards.csv", HEADER + f"P1,{text},1,START,ICU,Heparin,5,\n")
    read(site)
    ((at, reading),) = rows(site, "select epoch(occurred_at), device_time from events")
    assert at == float(text) / (1000 if form == "epoch_ms" else 1)
    assert isinstance(reading, datetime)
    assert (reading.hour, reading.minute) == (8, 0)


@pytest.mark.parametrize("text", ["1.790841605e9", "-5", "1790841605x", "0x6ABD", "99999999999999999", "nan"])
def test_what_is_no_count_of_seconds_waits(tmp_path: Path, text: str) -> None:
    mapping = WARDS.replace('zone = "site"', 'format = "epoch_s"\nzone = "UTC"')
    site = make_site(tmp_path, {"wards": mapping})
    drop(site, "wards.csv", HEADER + f"P1,{text},1,START,ICU,Heparin,5,\n")
    read(site)
    ((reasons,),) = rows(site, "select reasons from quarantined")
    assert set(reasons) <= {"time_format", "time_out_of_range"}  # type: ignore[call-overload]


def test_seconds_since_1970_are_counted_in_utc(tmp_path: Path) -> None:
    mapping = WARDS.replace('zone = "site"', 'format = "epoch_s"\nzone = "site"')
    site = make_site(tmp_path, {"wards": mapping})
    drop(site, "wards.csv", HEADER + "P1,1790841605,1,START,ICU,Heparin,5,\n")
    with pytest.raises(ConfigurationError, match="counted in UTC"):
        read(site)


def test_what_a_rule_ignores_may_have_any_time(tmp_path: Path) -> None:
    """Python has no year 0; the instants of the others are found all the same."""
    site = make_site(tmp_path)
    lines = "P1,0000-06-01 10:00:00,1,BEAT,,,,\nP1,2026-07-01 10:00:00,2,START,ICU,Heparin,5,70\n"
    drop(site, "wards.csv", HEADER + lines)
    result = read(site)
    assert (result.total("rows_ignored"), result.total("events")) == (1, 1)
    assert rows(site, "select epoch_us(occurred_at) // 1000000 from events") == [(1782896400,)]


@pytest.mark.parametrize(
    "zone",
    ["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Pacific/Apia", "Asia/Kolkata", "UTC"],
)
def test_the_list_of_changes_places_times_as_the_calendar_does(zone: str) -> None:
    """Every half hour of the years round a day that one zone left out, and hours far outside the list."""
    con = connect()
    exact = times.instant_sql("d", "o", zone)
    near = times.near_instant_sql("d", "o", zone, datetime(2011, 2, 1), datetime(2012, 11, 30))
    assert near != exact
    found = con.execute(
        f"select count(*), count(*) filter (({near}) is distinct from ({exact})) from (select d, "
        "case when epoch(d) % 86400 = 0 then 3600 end as o from (select timestamp '2010-06-01' "
        "+ to_minutes(cast(30 * i as integer)) as d from range(60000) r(i) union all "
        "select timestamp '1999-03-28 00:59:59' + to_hours(cast(i * 1000 as integer)) from range(300) r(i)))"
    ).fetchone()
    assert found == (60_300, 0)


@pytest.mark.parametrize(
    ("zone", "first", "last"),
    [
        (None, 2011, 2012),
        ("Europe/Lisbon", 1990, 2011),
        ("Europe/Lisbon", 2, 3),
        ("Europe/Lisbon", 9998, 9999),
    ],
)
def test_the_list_of_changes_is_for_few_and_plain_years(zone: str | None, first: int, last: int) -> None:
    asked = ("d", "null::integer", zone)
    near = times.near_instant_sql(*asked, datetime(first, 1, 1), datetime(last, 1, 1))
    assert near == times.instant_sql(*asked)
