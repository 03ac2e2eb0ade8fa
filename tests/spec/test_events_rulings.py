"""Rulings on events, each drawn as a small log: what goes in, what stands in the store."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.event_samples import HEADER, WARDS, drop, events, make_site, read, rows, waiting

TIMES = ("sequence", "cast(occurred_at as varchar)", "time_quality")


def _log(*lines: str) -> str:
    return HEADER + "".join(f"P1,2026-10-25 {line}\n" for line in lines)


def _times(site: object) -> list[tuple[object, ...]]:
    return sorted(events(site, TIMES))  # type: ignore[arg-type, type-var]


# In Lisbon the clock goes back from 02:00 (UTC+1) to 01:00 (UTC) on 2026-10-25.


def test_ruling_11_sequence_decides(tmp_path: Path) -> None:
    """A time takes the instant that keeps the pump's sequence in order: then it is exact."""
    site = make_site(tmp_path)
    drop(site, "wards.csv", _log("01:40:00,1,START,,,5,", "01:10:00,2,RATE,,,6,", "01:50:00,3,STOP,,,,"))
    read(site)
    assert _times(site) == [
        (1, "2026-10-25 00:40:00+00", "exact"),
        (2, "2026-10-25 01:10:00+00", "exact"),
        (3, "2026-10-25 01:50:00+00", "exact"),
    ]


def test_ruling_11_earlier_where_both_fit(tmp_path: Path) -> None:
    """Where both instants keep the order, the earlier one counts, and it is ambiguous."""
    site = make_site(tmp_path)
    drop(site, "wards.csv", _log("00:50:00,1,START,,,5,", "01:10:00,2,RATE,,,6,", "02:10:00,3,STOP,,,,"))
    read(site)
    assert _times(site) == [
        (1, "2026-10-24 23:50:00+00", "exact"),
        (2, "2026-10-25 00:10:00+00", "ambiguous"),
        (3, "2026-10-25 02:10:00+00", "exact"),
    ]


def test_ruling_11_later_files_settle_earlier_ones(tmp_path: Path) -> None:
    """A file that comes later can show which pass of the hour an event of an earlier file was in."""
    site = make_site(tmp_path)
    drop(site, "wards1.csv", _log("01:40:00,1,START,,,5,"))
    read(site)
    assert _times(site) == [(1, "2026-10-25 00:40:00+00", "ambiguous")]
    drop(site, "wards2.csv", _log("01:10:00,2,STOP,,,,"))
    assert read(site).settled == 1
    assert _times(site) == [
        (1, "2026-10-25 00:40:00+00", "exact"),
        (2, "2026-10-25 01:10:00+00", "exact"),
    ]


def test_ruling_11_without_reliable_sequence(tmp_path: Path) -> None:
    """Numbers that the source does not vouch for settle nothing."""
    site = make_site(tmp_path, {"wards": WARDS.replace("sequence_reliable = true", "")})
    drop(site, "wards.csv", _log("01:40:00,1,START,,,5,", "01:10:00,2,STOP,,,,"))
    read(site)
    assert [row[2] for row in _times(site)] == ["ambiguous", "ambiguous"]


def test_skipped_hour_is_marked(tmp_path: Path) -> None:
    """A reading that no clock of the zone shows is kept and marked (spring, 01:00 to 02:00 in Lisbon)."""
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + "P1,2026-03-29 01:30:00,1,START,,,5,\n")
    read(site)
    assert _times(site) == [(1, "2026-03-29 01:30:00+00", "nonexistent")]


def test_ambiguous_stands_before_corrected(tmp_path: Path) -> None:
    """time_quality: ambiguous > nonexistent > corrected > exact; the clock row in force is by the pump's clock."""
    site = make_site(tmp_path, clocks="pump,from,offset_s\nP1,,2820\nP1,2026-10-25 03:00,60\n")
    drop(site, "wards.csv", _log("01:30:00,1,START,,,5,", "02:59:59,2,RATE,,,6,", "03:00:00,3,STOP,,,,"))
    read(site)
    assert _times(site) == [
        (1, "2026-10-24 23:43:00+00", "ambiguous"),
        (2, "2026-10-25 02:12:59+00", "corrected"),
        (3, "2026-10-25 02:59:00+00", "corrected"),
    ]
    assert rows(site, "select distinct month from events") == [("2026-10",)]


CONFLICT = _log("10:00:00,1,START,,,5,", "10:00:00,1,START,,,6,", "10:00:00,2,STOP,,,,")


def test_ruling_7_all_wait(tmp_path: Path) -> None:
    """Same identity, other values, none in the ledger, no file order: all of them wait."""
    site = make_site(tmp_path)
    drop(site, "wards.csv", CONFLICT)
    result = read(site)
    assert (result.total("events_kept"), result.total("quarantined")) == (1, 2)
    assert [row[2] for row in waiting(site)] == [["conflicts_in_ingest"]] * 2


def test_ruling_7_first_in_file_is_kept(tmp_path: Path) -> None:
    """Where the mapping declares file order, the record that comes first is kept (files by name)."""
    site = make_site(tmp_path, {"wards": WARDS.replace("sequence_reliable = true", "file_order = true")})
    drop(site, "wards2.csv", _log("10:00:00,1,START,,,7,"))
    drop(site, "wards1.csv", CONFLICT)
    result = read(site)
    assert (result.total("events_kept"), result.total("quarantined")) == (2, 2)
    assert events(site, ("rate_ml_h",)) in ([(5.0,), (None,)], [(None,), (5.0,)])
    assert [row[2] for row in waiting(site)] == [["conflicts_with_kept"]] * 2


def test_conflict_with_what_is_kept(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards1.csv", _log("10:00:00,1,START,,,5,"))
    read(site)
    drop(site, "wards2.csv", _log("10:00:00,1,START,,,6,", "10:00:00,1,START,,,5,"))
    result = read(site)
    assert (result.total("duplicates"), result.total("quarantined")) == (1, 1)
    assert events(site, ("rate_ml_h",)) == [(5.0,)]
    assert [row[2] for row in waiting(site)] == [["conflicts_with_kept"]]


def test_a_record_is_whole(tmp_path: Path) -> None:
    """One bad event of several sends the whole record to quarantine, with every reason."""
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + ",yesterday,x,SWITCH,ICU,,1_000,nan\n")
    result = read(site)
    assert (result.total("quarantined"), result.total("events")) == (1, 0)
    assert waiting(site)[0][2] == ["no_pump", "time_format", "not_a_number", "sequence_not_whole"]


@pytest.mark.parametrize(
    ("weight", "reason"), [("1800", "weight_over_500_kg"), ("0.1", "weight_under_0_2_kg")]
)
def test_implausible_is_kept(tmp_path: Path, weight: str, reason: str) -> None:
    """Readable, however extreme: kept and flagged, never quarantined."""
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + f"P1,2026-10-01 10:00:00,1,START,ICU,,9999,{weight}\n")
    assert read(site).total("quarantined") == 0
    assert events(site, ("implausible",)) == [([reason, "rate_over_2000_ml_h"],)]
