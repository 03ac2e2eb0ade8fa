"""Published facts about clock changes, against zoneinfo and against the engine's AT TIME ZONE.

The facts stand in the TOML file with their source and mark. Zone rules change: a failure here after an update
of the zone data means that one of the two now counts with other rules than the other, or than these facts.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import pytest

from dripledger.engine import connect

FACTS = tomllib.loads(Path(__file__).with_name("time_zones.toml").read_text(encoding="utf-8"))
Fact = dict[str, Any]


def facts(kind: str) -> Any:
    """The facts of one kind as pytest parameters."""
    return pytest.mark.parametrize(
        "fact",
        [pytest.param(f, id=f"{f['zone']}-{f.get('from') or f.get('local') or ''}") for f in FACTS[kind]],
    )


@pytest.fixture(scope="module")
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    """One connection as the product opens it."""
    con = connect(threads=1)
    yield con
    con.close()


def to_utc(con: duckdb.DuckDBPyConnection, local: datetime, zone: str) -> datetime:
    """The engine's instant of a reading."""
    row = con.execute("select epoch_us(cast(? as timestamp) at time zone ?)", [local, zone]).fetchall()[0]
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=row[0])


def to_local(con: duckdb.DuckDBPyConnection, instant: datetime, zone: str) -> datetime:
    """The engine's reading of an instant."""
    return con.execute("select cast(? as timestamptz) at time zone ?", [instant, zone]).fetchall()[0][0]


def exists(con: duckdb.DuckDBPyConnection, local: datetime, zone: str) -> bool:
    """Whether a reading survives the way to an instant and back: how a gap is told."""
    there = "(cast($1 as timestamp) at time zone $2) at time zone $2"
    return bool(con.execute(f"select {there} = cast($1 as timestamp)", [local, zone]).fetchall()[0][0])


def meanings(zone: str, local: datetime) -> tuple[datetime, datetime]:
    """zoneinfo's two instants of a reading: by the rule before a change, and by the one after it."""
    aware = local.replace(tzinfo=ZoneInfo(zone))
    return aware.replace(fold=0).astimezone(UTC), aware.replace(fold=1).astimezone(UTC)


@facts("change")
def test_zoneinfo_changes_at_that_instant(fact: Fact) -> None:
    zone, instant = ZoneInfo(fact["zone"]), fact["utc"]
    before = (instant - timedelta(microseconds=1)).astimezone(zone).utcoffset()
    after = instant.astimezone(zone).utcoffset()
    assert before is not None
    assert after is not None
    length = fact["until"] - fact["from"]
    assert after - before == (length if fact["effect"] == "missing" else -length)
    midnight = datetime.combine(fact["from"].date(), datetime.min.time(), tzinfo=zone)
    next_one = datetime.combine(fact["from"].date() + timedelta(days=1), datetime.min.time(), tzinfo=zone)
    day = next_one.astimezone(UTC) - midnight.astimezone(UTC)
    assert day == timedelta(hours=24) - (after - before)
    assert "day_hours" not in fact or day == timedelta(hours=fact["day_hours"])


@facts("change")
def test_the_engine_changes_at_that_instant(con: duckdb.DuckDBPyConnection, fact: Fact) -> None:
    zone, instant = fact["zone"], fact["utc"]
    tick = timedelta(seconds=1)
    before, after = to_local(con, instant - tick, zone), to_local(con, instant, zone)
    if fact["effect"] == "missing":
        assert (before + tick, after) == (fact["from"], fact["until"])
    else:
        assert (before + tick, after) == (fact["until"], fact["from"])


@facts("change")
def test_the_edges_are_half_open(con: duckdb.DuckDBPyConnection, fact: Fact) -> None:
    zone, tick = fact["zone"], timedelta(seconds=1)
    inside = [fact["from"], fact["from"] + (fact["until"] - fact["from"]) / 2, fact["until"] - tick]
    outside = [fact["from"] - tick, fact["until"]]
    assert all(exists(con, local, zone) for local in outside)
    for local in outside:
        first, second = meanings(zone, local)
        assert first == second == to_utc(con, local, zone)
    for local in inside:
        first, second = meanings(zone, local)
        assert first != second
        assert exists(con, local, zone) == (fact["effect"] == "twice")


@facts("change")
def test_the_engine_takes_the_later_instant_of_a_repeated_hour(
    con: duckdb.DuckDBPyConnection, fact: Fact
) -> None:
    """Why ruling 11 cannot be left to it: where the sequence does not decide, the earlier one is wanted."""
    if fact["effect"] == "twice":
        first, second = meanings(fact["zone"], fact["from"])
        assert to_utc(con, fact["from"], fact["zone"]) == max(first, second)


@facts("reading")
def test_the_two_meanings_of_a_reading(con: duckdb.DuckDBPyConnection, fact: Fact) -> None:
    assert meanings(fact["zone"], fact["local"]) == (fact["earlier"], fact["later"])
    assert to_utc(con, fact["local"], fact["zone"]) == fact["later"]
    for instant in (fact["earlier"], fact["later"]):
        assert to_local(con, instant, fact["zone"]) == fact["local"]


@facts("nonexistent")
def test_a_reading_that_does_not_exist(con: duckdb.DuckDBPyConnection, fact: Fact) -> None:
    assert meanings(fact["zone"], fact["local"]) == (fact["before"], fact["after"])
    assert not exists(con, fact["local"], fact["zone"])
    assert to_utc(con, fact["local"], fact["zone"]) in (fact["before"], fact["after"])


@facts("elapsed")
def test_true_elapsed_hours(con: duckdb.DuckDBPyConnection, fact: Fact) -> None:
    begin, end = (to_utc(con, fact[key], fact["zone"]) for key in ("from", "until"))
    assert end - begin == timedelta(hours=fact["hours"])
    assert meanings(fact["zone"], fact["until"])[0] - meanings(fact["zone"], fact["from"])[0] == end - begin


@facts("steady")
def test_zones_that_never_change(con: duckdb.DuckDBPyConnection, fact: Fact) -> None:
    zone = fact["zone"]
    for year in fact["years"]:
        days = [date(year, 1, 1) + timedelta(days=k) for k in range(365)]
        noons = [datetime(day.year, day.month, day.day, 12) for day in days]
        assert len({noon.replace(tzinfo=ZoneInfo(zone)).utcoffset() for noon in noons}) == 1
    row = con.execute(
        "select count(distinct l - ((l at time zone $1) at time zone 'UTC')) "
        "from (select unnest("
        "generate_series(timestamp '2025-01-01', timestamp '2026-12-31', interval 6 hour)) as l)",
        [zone],
    ).fetchall()[0]
    assert row[0] == 1
