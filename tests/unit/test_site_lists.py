"""What a site's files may say, and how a slip in them is told: file, row, column or key, in plain words."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from dripledger.errors import ConfigurationError
from dripledger.lists import read_reviews
from dripledger.site import load_site

SITE = 'format = 1\nfacility = "harbour-hospital"\ntime_zone = "Europe/Lisbon"\n'


def _site(folder: Path, **lists: str) -> Path:
    (folder / "site.toml").write_text(lists.pop("site", SITE), encoding="utf-8")
    for name, text in lists.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        (
            "clocks",
            "pump,from,offset_s\nP-1,,nan\n",
            ["clocks.csv, row 2, column 'offset_s'", "'nan'", "no number"],
        ),
        (
            "clocks",
            "pump,from,offset_s\nP-1,,1\nP-1,,-inf\n",
            ["clocks.csv, row 3, column 'offset_s'", "'-inf'"],
        ),
        ("clocks", "pump,from,offset_s\nP-1,,1e30\n", ["row 2, column 'offset_s'", "ten years", "seconds"]),
        ("clocks", "pump,from,offset_s\nP-1,,fast\n", ["row 2, column 'offset_s'", "'fast'"]),
        (
            "service",
            "pump,from,to,context\nP-1,2026-02-03 12:00,2026-02-02 08:00,maintenance\n",
            ["service.csv, row 2, column 'to'", "'2026-02-02 08:00'", "before 'from' (2026-02-03 12:00)"],
        ),
        (
            "pumps",
            "pump,in_service_from,in_service_to\nP-1,2026-02-03,2026-02-02\n",
            ["pumps.csv, row 2, column 'in_service_to'", "before 'in_service_from'"],
        ),
    ],
)
def test_a_wrong_value_in_a_list_is_refused(tmp_path: Path, name: str, text: str, words: list[str]) -> None:
    with pytest.raises(ConfigurationError) as caught:
        load_site(_site(tmp_path, **{name: text}))
    for word in words:
        assert word in str(caught.value)


def test_the_largest_clock_error_and_a_stretch_of_one_instant_are_taken(tmp_path: Path) -> None:
    site = load_site(
        _site(
            tmp_path,
            clocks="pump,from,offset_s\nP-1,,-316224000\n",
            service="pump,from,to,context\nP-1,2026-02-03 12:00,2026-02-03 12:00,training\nP-2,,,training\n",
            pumps="pump,in_service_from,in_service_to\nP-1,2026-02-03,2026-02-03\nP-2,2026-02-03,\n",
        )
    )
    assert site.clocks[0].offset_s == -316224000
    assert len(site.service) == len(site.pumps or ()) == 2


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('facility = 7\ntime_zone = "UTC"', "facility: must be text in quotes"),
        ('facility = ""\ntime_zone = "UTC"', "facility: is empty"),
        ('facility = "h"', "time_zone: is missing"),
        ('facility = "h"\ntime_zone = "UTC"\nthresholds = 3', "thresholds: must be a table of keys"),
        (
            'facility = "h"\ntime_zone = "UTC"\n[thresholds]\nno_gap_s = "2"',
            "thresholds.no_gap_s: must be a number, without quotes",
        ),
        ('facility = "h"\ntime_zone = "UTC"\n[thresholds]\nno_gap_s = nan', "must be a finite number"),
        ('facility = "h"\ntime_zone = "UTC"\n[thresholds]\nno_gap_s = -1', "no_gap_s: must be at least 0"),
        ('facility = "h"\ntime_zone = "UTC"\n[minimums]\nstarts = true', "minimums.starts: must be a number"),
        (
            'facility = "h"\ntime_zone = "UTC"\n[care_areas.ICU]\naliases = "ICU-2"',
            'care_areas.ICU.aliases: must be a list, such as ["a", "b"]',
        ),
        (
            'facility = "h"\ntime_zone = "UTC"\n[care_areas.ICU]\ncontext = "rest"',
            "care_areas.ICU.context: must be 'clinical', 'maintenance', 'training' or 'unknown'",
        ),
    ],
)  # fmt: skip
def test_a_wrong_setting_is_told_in_plain_words(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        load_site(_site(tmp_path, site=f"format = 1\n{text}\n"))
    assert message in str(caught.value)
    assert "Input should" not in str(caught.value)


def test_a_change_names_the_measures_that_it_moves(tmp_path: Path) -> None:
    text = (
        "date,area,what,new_limits,measures\n2026-03-02,,release 7,yes,soft_alert_share | override_share\n"
        "2026-04-02,icu,go-live,,\n"
    )
    one, two = load_site(_site(tmp_path, changes=text)).changes
    assert (one.new_limits, one.measures) == (True, ("soft_alert_share", "override_share"))
    assert (two.new_limits, two.measures, two.area) == (False, (), "icu")


@pytest.mark.parametrize(
    "text",
    [
        "case,disposition,date\nab,Slip,2026-10-05\n",
        "case;disposition;date\r\nab;slip;2026-10-05\r\n",
        "\ufeffcase;disposition;date\nab;SLIP;2026-10-05\n",
    ],
)
def test_a_list_as_an_office_program_writes_it_is_read(tmp_path: Path, text: str) -> None:
    """Where the comma is the decimal mark such programs part columns by semicolons, and capitals slip in."""
    path = tmp_path / "reviews.csv"
    path.write_text(text, encoding="utf-8")
    (row,) = read_reviews(path)
    assert (row.case, row.disposition, row.date) == ("ab", "slip", date(2026, 10, 5))
