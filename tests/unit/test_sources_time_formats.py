"""Formats of times: what is declared is read so, and what leaves a time open is refused with the reason."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import duckdb
import pytest
from tests.event_samples import HEADER, WARDS, drop, make_site, read, rows

from dripledger.errors import ConfigurationError
from dripledger.events import times
from dripledger.sources.mapping import load_mappings


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        (
            'format = "%d/%m/%y %H:%M"',
            "format '%d/%m/%y %H:%M' has years of two digits (%y), and nothing says of which century: set "
            "two_digit_years_from, such as 1970 for 1970 to 2069",
        ),
        (
            'format = "iso"\nreceived_format = "%d/%m/%y %H:%M"',
            "format '%d/%m/%y %H:%M' has years of two digits (%y), and nothing says of which century: set "
            "two_digit_years_from, such as 1970 for 1970 to 2069",
        ),
        (
            "two_digit_years_from = 1970",
            "two_digit_years_from is set, and no format has years of two digits (%y)",
        ),
        ('format = "%H:%M"', "format '%H:%M' does not say the year, the month, the day"),
        ('format = "%d.%Y %H"', "format '%d.%Y %H' does not say the month"),
        ('format = "%d.%m.%Y"', "format '%d.%m.%Y' does not say the hour"),
        (
            'format = "%d.%m.%Y %I:%M"',
            "format '%d.%m.%Y %I:%M' has hours of twelve (%I) without %p: morning or evening?",
        ),
        (
            'format = "%d.%m.%Y %H:%M %Z"',
            "format '%d.%m.%Y %H:%M %Z' names zones by letters (%Z), which mean different offsets in "
            "different "
            "places; use %z where the text holds offsets, else leave it out and declare the zone",
        ),
        ('format = "%x %H"', "format '%x %H' has %x, which is no directive of strptime"),
        ('format = "%Q"', "format '%Q' has %Q, which is no directive of strptime"),
        ('format = "%-Y-%m-%d %H"', "format '%-Y-%m-%d %H' has %-Y, which is no directive of strptime"),
        ('format = "%"', "format '%' has %, which is no directive of strptime"),
        ('format = "YYYY"', "format 'YYYY' is neither one of iso, epoch_s, epoch_ms nor a strptime pattern"),
        (
            'format = "%d/%m/%y %H"\ntwo_digit_years_from = 2001',
            "two_digit_years_from: must be at most 2000",
        ),
    ],
)
def test_format_that_leaves_a_time_open(tmp_path: Path, lines: str, sentence: str) -> None:
    site = make_site(tmp_path, {"wards": WARDS.replace('zone = "site"', f'zone = "site"\n{lines}')})
    with pytest.raises(ConfigurationError) as caught:
        load_mappings(site)
    assert sentence in str(caught.value)
    assert "wards.toml" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "pattern", "first", "reading"),
    [
        ("01/02/26 10:00", "%d/%m/%y %H:%M", 1970, datetime(2026, 2, 1, 10)),
        ("01/02/26 10:00", "%m/%d/%y %H:%M", 1970, datetime(2026, 1, 2, 10)),
        ("01/02/69 10:00", "%d/%m/%y %H:%M", 1970, datetime(2069, 2, 1, 10)),
        ("01/02/70 10:00", "%d/%m/%y %H:%M", 1970, datetime(1970, 2, 1, 10)),
        ("01/02/68 10:00", "%d/%m/%y %H:%M", 1960, datetime(1968, 2, 1, 10)),
        ("29/02/00 10:00", "%d/%m/%y %H:%M", 1970, datetime(2000, 2, 29, 10)),
        ("29/02/00 10:00", "%d/%m/%y %H:%M", 2000, datetime(2000, 2, 29, 10)),
        ("29/02/68 10:00", "%d/%m/%y %H:%M", 1901, datetime(1968, 2, 29, 10)),
        ("29/02/72 10:00", "%d/%m/%y %H:%M", 2000, datetime(2072, 2, 29, 10)),
        ("01/02/26 10:00 +0200", "%d/%m/%y %H:%M %z", 1970, datetime(2026, 2, 1, 10)),
        ("01/02/2026 10:00", "%d/%m/%y %H:%M", 1970, None),
        ("01/13/26 10:00", "%d/%m/%y %H:%M", 1970, None),  # a month first is no day first
        ("13/01/26 10:00", "%m/%d/%y %H:%M", 1970, None),
    ],
)
def test_years_of_two_digits(text: str, pattern: str, first: int, reading: datetime | None) -> None:
    sql = times.time_sql("t", pattern, first)
    con = duckdb.connect()
    con.execute("set TimeZone = 'UTC'")
    found = con.execute(f"select {sql.reading} from (select ? as t)", [text]).fetchall()
    con.close()
    assert found == [(reading,)]


def test_short_year_under_a_long_format_waits(tmp_path: Path) -> None:
    site = make_site(
        tmp_path, {"wards": WARDS.replace('zone = "site"', 'zone = "site"\nformat = "%d/%m/%Y %H:%M"')}
    )
    drop(site, "wards.csv", HEADER + "P1,01/02/26 10:00,1,START,ICU,Heparin,5,70\n")
    read(site)
    assert rows(site, "select reasons from quarantined") == [(["time_out_of_range"],)]


@pytest.mark.parametrize(
    ("zone", "text", "instant"),
    [
        ("UTC", "2026-07-01 10:00:00", "2026-07-01 10:00:00+00"),
        ("site", "2026-07-01 10:00:00", "2026-07-01 09:00:00+00"),
        ("Asia/Tokyo", "2026-07-01 10:00:00", "2026-07-01 01:00:00+00"),
        ("UTC", "2026-07-01T10:00:00+05:30", "2026-07-01 04:30:00+00"),
        ("in_text", "2026-07-01T10:00:00-04:00", "2026-07-01 14:00:00+00"),
    ],
)
def test_zone_is_the_declared_one_unless_the_text_says_another(
    tmp_path: Path, zone: str, text: str, instant: str
) -> None:
    site = make_site(tmp_path, {"wards": WARDS.replace('zone = "site"', f'zone = "{zone}"')})
    drop(site, "wards.csv", HEADER + f"P1,{text},1,START,ICU,Heparin,5,70\n")
    read(site)
    assert rows(site, "select cast(occurred_at as varchar), cast(device_time as varchar) from events") == [
        (instant, text[:19].replace("T", " "))
    ]
