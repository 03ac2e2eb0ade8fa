"""Months: their texts, their instants, and 'last' and 'this'."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from dripledger.errors import UsageError
from dripledger.measures import Month, month_range, parse_month

LISBON, KOLKATA = ZoneInfo("Europe/Lisbon"), ZoneInfo("Asia/Kolkata")


def test_a_month_begins_at_local_midnight() -> None:
    assert Month(2026, 10).begins_at(LISBON) == datetime(2026, 9, 30, 23, tzinfo=UTC)
    assert Month(2026, 11).begins_at(LISBON) == datetime(2026, 11, 1, tzinfo=UTC)
    # October 2026 has one hour more in Lisbon: the clocks go back on the 25th.
    length = Month(2026, 11).begins_at(LISBON) - Month(2026, 10).begins_at(LISBON)
    assert length == timedelta(days=31, hours=1)


def test_a_month_that_begins_in_a_missing_hour_begins_at_the_change() -> None:
    zone = ZoneInfo("America/Asuncion")
    assert Month(2017, 10).begins_at(zone) == datetime(2017, 10, 1, 4, tzinfo=UTC)


@pytest.mark.parametrize(
    ("committed", "zone", "this", "last"),
    [
        (datetime(2026, 11, 2, 6, tzinfo=UTC), LISBON, "2026-11", "2026-10"),
        (datetime(2026, 10, 31, 19, tzinfo=UTC), KOLKATA, "2026-11", "2026-10"),
        (datetime(2027, 1, 1, 0, tzinfo=UTC), LISBON, "2027-01", "2026-12"),
    ],
)
def test_this_and_last_are_counted_from_the_commit_in_the_local_zone(
    committed: datetime, zone: ZoneInfo, this: str, last: str
) -> None:
    assert str(parse_month("this", committed_at=committed, zone=zone)) == this
    assert str(parse_month("last", committed_at=committed, zone=zone)) == last


@pytest.mark.parametrize(
    "text", ["2026-13", "2026-00", "2026-1", "10-2026", "", "next", "1899-12", "2300-01"]
)
def test_what_is_no_month_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="no month"):
        parse_month(text, committed_at=None, zone=LISBON)


def test_last_needs_a_commit() -> None:
    with pytest.raises(UsageError, match="nothing has been committed"):
        parse_month("last", committed_at=None, zone=LISBON)


def test_a_range_goes_over_the_year() -> None:
    assert [str(m) for m in month_range(Month(2026, 11), Month(2027, 2))] == [
        "2026-11", "2026-12", "2027-01", "2027-02",
    ]  # fmt: skip
    with pytest.raises(UsageError, match="before"):
        month_range(Month(2026, 2), Month(2026, 1))
