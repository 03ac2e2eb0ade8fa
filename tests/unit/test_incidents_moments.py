"""Moments as typed, ticks on the axis, labels that do not cover each other, zips that say one thing."""

from __future__ import annotations

import itertools
import zipfile
from datetime import UTC, datetime, timedelta
from io import BytesIO
from zoneinfo import ZoneInfo

import pytest

from dripledger.errors import UsageError
from dripledger.incidents.axis import lay_out, ticks
from dripledger.incidents.moments import parse_moment, seconds_text
from dripledger.incidents.words import fold_text
from dripledger.incidents.zips import NotCanonicalError, pack, unpack

LISBON = ZoneInfo("Europe/Lisbon")


def test_a_time_is_local_unless_it_carries_an_offset() -> None:
    assert parse_moment("2026-10-05T08:00", LISBON, "--from") == datetime(2026, 10, 5, 7, tzinfo=UTC)
    assert parse_moment("2026-10-05 08:00:30+03:00", LISBON, "--from") == datetime(
        2026, 10, 5, 5, 0, 30, tzinfo=UTC
    )
    assert parse_moment("2026-12-05", LISBON, "--from") == datetime(2026, 12, 5, tzinfo=UTC)


def test_the_repeated_hour_is_refused_and_both_are_named() -> None:
    with pytest.raises(UsageError) as refused:
        parse_moment("2026-10-25 01:30", LISBON, "--at")
    assert "2026-10-25T01:30:00+01:00 and 2026-10-25T01:30:00+00:00" in str(refused.value)
    assert parse_moment("2026-10-25 01:30+00:00", LISBON, "--at") == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


def test_the_skipped_hour_and_no_time_are_refused() -> None:
    with pytest.raises(UsageError, match="does not exist"):
        parse_moment("2026-03-29 01:30", LISBON, "--from")
    with pytest.raises(UsageError, match="outside the years"):
        parse_moment("0001-01-01", LISBON, "--from")
    with pytest.raises(UsageError, match="is no time"):
        parse_moment("noon", LISBON, "--from")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (9, "9 s"),
        (119.5, "119.5 s"),
        (2820, "47 min"),
        (150, "2 min 30 s"),
        (3900, "65 min"),
        (-7200, "-2 h"),
    ],
)
def test_lengths_of_time_in_words(seconds: float, text: str) -> None:
    assert seconds_text(seconds) == text


@pytest.mark.parametrize(
    ("before", "after", "text"),
    [(12.5, 125, "tenfold"), (125, 12.5, "a tenth"), (10, 50, "fivefold"), (10, 73, "7.3 times as much"),
     (10, 19, ""), (0, 10, ""), (None, 10, "")],
)  # fmt: skip
def test_how_many_times_in_words(before: float | None, after: float, text: str) -> None:
    assert fold_text(before, after) == text


def test_ticks_tell_the_two_hours_of_autumn_apart() -> None:
    begins = datetime(2026, 10, 24, 23, tzinfo=UTC)
    told = [text for _, text in ticks(begins, begins + timedelta(hours=4), LISBON)]
    assert told == [
        "00:00\n2026-10-25\n+01:00", "00:30", "01:00", "01:30", "01:00\n+00:00", "01:30", "02:00", "02:30",
        "03:00",
    ]  # fmt: skip


def test_labels_do_not_collide() -> None:
    marks = [(float(i), f"label {i}", "alert") for i in range(30)]
    placed, left_out = lay_out(marks, 1.0, 200.0, 5)
    assert left_out == 30 - len(placed) > 0
    for lane in range(5):
        row = sorted((p.at, p.at + len(p.text) + 3) for p in placed if p.lane == lane)
        assert all(first[1] <= second[0] for first, second in itertools.pairwise(row))


def test_a_zip_is_canonical() -> None:
    members = {"b.txt": b"two", "a/ü.txt": b"one" * 100, "empty": b""}
    data = pack(members)
    assert pack(dict(reversed(members.items()))) == data, "the order in which members come changes nothing"
    assert unpack(data) == members
    with zipfile.ZipFile(BytesIO(data)) as archive:
        assert archive.namelist() == ["a/ü.txt", "b.txt", "empty"]
        assert archive.testzip() is None
        assert {item.compress_type for item in archive.infolist()} == {zipfile.ZIP_STORED}


def test_what_is_no_canonical_zip_is_refused() -> None:
    data = pack({"a": b"one", "b": b"two"})
    other = BytesIO()
    with zipfile.ZipFile(other, "w") as archive:
        archive.writestr("a", b"one")
    for wrong in (data + b"\n", b"\n" + data, data[:-1], b"", b"PK\x03\x04", other.getvalue()):
        with pytest.raises(NotCanonicalError):
            unpack(wrong)
