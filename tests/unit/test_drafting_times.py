"""What a draft says of times, decimal marks and units: decided where the data decide, else assumed."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from dripledger.drafting.compose import pattern_of, source_name
from dripledger.drafting.draft import draft


def _drafted(
    tmp_path: Path, times: Sequence[str], header: str = "Pump,Time,Event,Rate", rate: str = "2.5"
) -> Any:
    path = tmp_path / "log.csv"
    rows = [f"P-{n % 2},{time},{'Start' if n % 3 else 'Stop'},{rate}" for n, time in enumerate(times)]
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return tomllib.loads(draft(path))


def _subjects(told: Any) -> set[str]:
    return {sentence.partition(":")[0] for sentence in told["assumed"]}


@pytest.mark.parametrize(
    ("times", "pattern"),
    [
        (["2026-10-13 08:00:00", "2026-10-13 08:01:00"], "iso"),
        (["2026-10-13T08:00:00.250", "2026-10-13T08:01:00.500"], "iso"),
        (["13.10.2026 08:00:00", "14.10.2026 08:00:00"], "%d.%m.%Y %H:%M:%S"),
        (["13/10/2026 08:00", "14/10/2026 08:00"], "%d/%m/%Y %H:%M"),
        (["10/13/2026 08:00:00 PM", "10/14/2026 07:00:00 AM"], "%m/%d/%Y %I:%M:%S %p"),
        (["20261013080000", "20261014080000"], "%Y%m%d%H%M%S"),
        (["13-OCT-2026 08:00:00", "14-OCT-2026 08:00:00"], "%d-%b-%Y %H:%M:%S"),
        (["2026/10/13 08:00:00", "2026/10/14 08:00:00"], "%Y/%m/%d %H:%M:%S"),
        (["13.10.26 08:00:00", "14.10.26 08:00:00"], "%d.%m.%y %H:%M:%S"),
    ],
)  # fmt: skip
def test_formats_that_the_data_decide(tmp_path: Path, times: list[str], pattern: str) -> None:
    told = _drafted(tmp_path, times)
    assert told["time"]["format"] == pattern
    assert "time.format" not in _subjects(told)
    assert "time.zone" in _subjects(told)


@pytest.mark.parametrize(
    ("times", "pattern", "why"),
    [
        # three days that run on, or one day in each of three months
        (["03/09/2026 08:00", "03/10/2026 08:00", "03/11/2026 08:00"], "%m/%d/%Y %H:%M", "spans 2 days"),
        (["09/03/2026 08:00", "10/03/2026 08:00", "11/03/2026 08:00"], "%d/%m/%Y %H:%M", "spans 2 days"),
        # one moment tells nothing: the language of the headers does
        (["03/04/2026 08:00:00"], "%m/%d/%Y %H:%M:%S", "English"),
    ],
)  # fmt: skip
def test_day_or_month_first_is_the_likelier_and_assumed(
    tmp_path: Path, times: list[str], pattern: str, why: str
) -> None:
    told = _drafted(tmp_path, times)
    assert told["time"]["format"] == pattern
    (sentence,) = (s for s in told["assumed"] if s.startswith("time.format"))
    assert why in sentence
    assert "(the other: %" in sentence


def test_an_offset_in_the_text_needs_no_zone(tmp_path: Path) -> None:
    told = _drafted(tmp_path, ["2026-10-13T08:00:00+02:00", "2026-10-13T08:05:00Z"])
    assert told["time"]["zone"] == "in_text"
    assert "time.zone" not in _subjects(told)


def test_years_of_two_digits_are_assumed(tmp_path: Path) -> None:
    told = _drafted(tmp_path, ["13.10.26 08:00:00", "14.10.26 08:00:00"])
    assert told["time"]["two_digit_years_from"] == 1970
    assert "time.two_digit_years_from" in _subjects(told)


def test_minutes_alone_are_told(tmp_path: Path) -> None:
    assert _drafted(tmp_path, ["13.10.2026 08:00", "14.10.2026 08:01"])["time"]["resolution_s"] == 60


@pytest.mark.parametrize(
    ("rate", "decimal", "is_assumed"),
    [
        ("2.5", ".", False),
        ('"2,5"', ",", False),
        ("1.250", ".", True),
        ('"1,250"', ",", True),
        ("4", ".", True),
    ],
)
def test_decimal_mark(tmp_path: Path, rate: str, decimal: str, is_assumed: bool) -> None:
    told = _drafted(tmp_path, ["2026-10-13 08:00:00", "2026-10-13 08:01:00"], rate=rate)
    assert told["delimited"]["decimal"] == decimal
    assert ("decimal" in _subjects(told)) == is_assumed


def test_a_rate_without_unit_is_assumed_and_a_dose_without_unit_is_not_read(tmp_path: Path) -> None:
    told = _drafted(tmp_path, ["2026-10-13 08:00:00", "2026-10-13 08:01:00"])
    assert told["fields"]["rate_ml_h"] == {"field": "Rate", "unit": "mL/h"}
    assert "fields.rate_ml_h" in _subjects(told)
    told = _drafted(tmp_path, ["2026-10-13 08:00:00", "2026-10-13 08:01:00"], "Pump,Time,Event,Dose")
    assert "dose_value" not in told["fields"]
    assert told["personal"]["mask"] == ["Dose"]


def test_receipt_is_not_taken_for_the_event(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        "Server time,Pump,Event time,Event\n2026-10-13 09:00:00,P-1,13.10.2026 08:00:00,Start\n"
        "2026-10-13 09:05:00,P-1,13.10.2026 08:05:00,Stop\n",
        encoding="utf-8",
    )
    told = tomllib.loads(draft(path))
    assert told["fields"]["device_time"] == "Event time"
    assert told["fields"]["received_at"] == "Server time"
    assert told["time"]["received_format"] == "iso"


def test_a_date_alone_is_no_time_and_stays_assumed(tmp_path: Path) -> None:
    told = _drafted(tmp_path, ["13.10.2026", "14.10.2026"])
    assert told["assumed"][0].startswith("fields.device_time")


def test_a_missing_pump_is_assumed_and_the_draft_loads(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Time,Event\n2026-10-13 08:00:00,Start\n2026-10-13 09:00:00,Stop\n", encoding="utf-8")
    told = tomllib.loads(draft(path))
    assert told["fields"]["pump_id"] == {"value": "unknown"}
    assert "fields.pump_id" in _subjects(told)


def test_an_unknown_unit_is_filed_by_a_person_and_not_taken_for_another(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        "Pump,Time,Event,Rate,Rate unit\nP-1,2026-10-13 08:00:00,Start,2,buckets/h\n"
        "P-1,2026-10-13 09:00:00,Stop,,\n",
        encoding="utf-8",
    )
    text = draft(path)
    told = tomllib.loads(text)
    assert told["fields"]["rate_ml_h"] == {"field": "Rate", "unit_field": "Rate unit"}
    assert '# "buckets/h" = ""' in text
    assert "fields.rate_ml_h" not in _subjects(told)


def test_a_day_over_twelve_late_in_the_sample_decides(tmp_path: Path) -> None:
    days = [f"{1 + n // 80:02}.10.2026 08:{n % 60:02}:00" for n in range(80 * 20)]
    told = _drafted(tmp_path, [*days[:5], "01.01.1899 00:00:00", *days[5:]])
    assert told["time"]["format"] == "%d.%m.%Y %H:%M:%S"
    assert "time.format" not in _subjects(told)


def test_a_clock_never_set_does_not_turn_the_dates(tmp_path: Path) -> None:
    days = [f"{1 + n // 80:02}.10.2026 08:{n % 60:02}:00" for n in range(80 * 9)]
    told = _drafted(tmp_path, [*days[:5], "01.01.1970 00:00:00", *days[5:]])
    assert told["time"]["format"] == "%d.%m.%Y %H:%M:%S"
    assert "time.format" in _subjects(told)


@pytest.mark.parametrize(
    ("path", "name", "pattern"),
    [
        ("log.csv", "log", "log.csv"),
        ("inbox/wards/2026-10.csv", "wards", "wards/*.csv"),
        ("inbox/pump log 2026-10-01.csv.gz", "pump_log", "pump log *.csv"),
        ("in[1]/a[b]2.hl7", "a_b", "a?b?*.hl7"),
    ],
)
def test_name_and_pattern(path: str, name: str, pattern: str) -> None:
    assert source_name(Path("/elsewhere") / path) == name
    assert pattern_of(Path("/elsewhere") / path) == pattern


@pytest.mark.parametrize(("event_first", "zone"), [(True, "site"), (False, "UTC")])
def test_a_count_beside_a_written_time_of_receipt_has_its_own_zone(
    tmp_path: Path, event_first: bool, zone: str
) -> None:
    counts = [str(1790841605 + 60 * n) for n in range(40)]
    written = [f"2026-10-01 {9 + n // 60:02}:{n % 60:02}:10" for n in range(40)]
    pairs = zip(counts, written, strict=True) if event_first else zip(written, counts, strict=True)
    told = _drafted(tmp_path, [f"{a},{b}" for a, b in pairs], "Pump,Event time,Received at,Event,Rate")
    assert {told["time"]["format"], told["time"]["received_format"]} == {"epoch_s", "iso"}
    assert told["time"]["received_zone"] == zone
