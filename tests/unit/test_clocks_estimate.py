"""Rows proposed for clocks.csv from what stands in the store; accepted, they set the times right."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from tests.event_samples import WARDS, drop, make_site, read, rows

from dripledger.errors import UsageError
from dripledger.events.clocks import ClockProposal, as_table, estimate_clocks
from dripledger.lists import read_clocks
from dripledger.site import load_site
from dripledger.store import Ledger

MAPPING = WARDS.replace(
    'zone = "site"', 'zone = "site"\nreceived_zone = "UTC"\nformat = "%Y-%m-%d %H:%M:%S"'
).replace('weight_kg = "Weight"', 'received_at = "Got"')
HEADER = "Device,Time,Seq,Event,Area,Drug,Rate,Got\n"
FIRST = datetime(2026, 1, 5, 8)


def log(
    pump: str, offsets: dict[int, float], pairs: int = 80, label: str = "RATE", every_h: float = 6
) -> str:
    """Return lines of a pump whose clock is off by `offsets[place]` seconds from that line on; winter."""
    lines, off = [], 0.0
    for place in range(pairs):
        set_now = place in offsets
        off = offsets.get(place, off)
        true = FIRST + timedelta(hours=every_h * place)
        told, got = true + timedelta(seconds=off), true + timedelta(seconds=3 + place % 5)
        what = "SET" if set_now and place else label
        lines.append(f"{pump},{told:%Y-%m-%d %H:%M:%S},{place},{what},ICU,x,5,{got:%Y-%m-%d %H:%M:%S}\n")
    return "".join(lines)


def proposals(site_root: Path, pump: str | None = None) -> list[ClockProposal]:
    site = load_site(site_root)
    return estimate_clocks(site, Ledger.open(site.store).snapshot(), pump)


def test_proposals_are_by_pump_and_stretch(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": MAPPING + 'SET = "clock_set"\n'})
    drop(
        site,
        "wards.csv",
        HEADER
        + log("fast", {0: 2820})
        + log("mended", {0: 2820, 40: 0})
        + log("ahead", {0: 0, 40: 7200})
        + log("right", {})
        + log("short", {}, pairs=5),
    )
    read(site)
    told = proposals(tmp_path)
    assert [(p.pump, p.from_clock, p.propose) for p in told] == [
        ("ahead", "", False),
        ("ahead", "2026-01-15 02:00:01", True),
        ("fast", "", True),
        ("mended", "", True),
        ("mended", "2026-01-15 08:00:00", True),
        ("right", "", False),
        ("short", "", False),
    ]
    offsets = [0, 7200, 2820, 2820, 0, 0]
    for row, offset in zip(told, offsets, strict=False):
        assert row.offset_s is not None
        assert abs(row.offset_s - offset) <= 5
        # no record came in less than 3 s, which nothing tells
        assert row.low_s <= offset - 3 <= row.high_s  # type: ignore[operator]
    assert told[1].why == "40 pairs; the clock was set forward by 7200 s; the log says that it was set there"
    assert told[5].why == "80 pairs; off by less than 30 s: no row needed"
    assert told[6].why == "5 pairs are too few: it takes 12"
    assert [p.pump for p in proposals(tmp_path, "fast")] == ["fast"]
    assert not (tmp_path / "clocks.csv").exists()


def test_accepted_rows_put_events_where_they_happened(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": MAPPING})
    drop(site, "wards.csv", HEADER + log("fast", {0: 2820}) + log("ahead", {0: 0, 40: 7200}))
    read(site)
    told = [p for p in proposals(tmp_path) if p.propose]
    table = as_table(told).select(["pump", "from", "offset_s"]).to_pylist()
    lines = [f"{row['pump']},{row['from']},{row['offset_s']}\n" for row in table]
    (tmp_path / "clocks.csv").write_text("pump,from,offset_s\n" + "".join(lines), encoding="utf-8")
    assert len(list(read_clocks(tmp_path / "clocks.csv"))) == 2
    result = read(load_site(tmp_path))
    assert result.rederived == 120
    assert rows(
        site, "select count(*) from events where abs(epoch(received_at) - epoch(occurred_at)) > 12"
    ) == [(0,)]
    # estimated anew, the same rows come out: an estimate is of the clock, not of what is left of its error
    again = [p for p in proposals(tmp_path) if p.propose]
    assert [(p.pump, p.from_clock, p.offset_s) for p in again] == [
        (p.pump, p.from_clock, p.offset_s) for p in told
    ]
    assert [p.offset_now_s for p in again] == [p.offset_s for p in told]


def test_clock_set_back_repeats_readings(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": MAPPING})
    drop(site, "wards.csv", HEADER + log("late", {0: 0, 40: -86400}))
    read(site)
    (_, row) = proposals(tmp_path)
    assert row.why == (
        "40 pairs; the clock was set back by 86400 s; the log does not say when; readings from 2026-01-14 "
        "08:00:00 to 2026-01-15 02:00:00 occur twice, and a row cannot tell the two apart"
    )
    assert (row.from_clock, row.propose) == ("2026-01-14 08:00:00", True)


def test_clock_that_does_not_follow_the_change_of_the_hour(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": MAPPING})
    text = log("winter", {}, pairs=120, every_h=24)
    drop(site, "wards.csv", HEADER + text)
    read(site)
    told = proposals(tmp_path)
    assert [round((p.offset_s or 0) / 60) for p in told] == [0, -60]
    assert "does this clock follow the change?" in told[1].why


def test_drifting_clock_gets_rows_that_follow_it(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": MAPPING})
    drop(site, "wards.csv", HEADER + log("drifts", {i: 5.0 * i / 4 for i in range(160)}, pairs=160))
    read(site)
    told = proposals(tmp_path)
    assert len(told) == 4
    assert all(p.drift_s_per_day == pytest.approx(5, abs=0.2) for p in told)
    assert [p.offset_s for p in told] == pytest.approx([22, 72, 122, 172], abs=5)
    assert "the clock drifts, so 4 rows follow it" in told[0].why


def test_nothing_to_estimate_from(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(
        site,
        "wards.csv",
        "Device,Time,Seq,Event,Area,Drug,Rate,Weight\nP1,2026-10-01 10:00:00,1,START,,,5,\n",
    )
    read(site)
    assert [(p.pump, p.why) for p in proposals(tmp_path)] == [
        ("P1", "no event of this pump says when it was received")
    ]
    with pytest.raises(UsageError, match="the store holds no event of a pump 'P2'"):
        proposals(tmp_path, "P2")


def test_clock_that_was_never_set_is_shown(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": MAPPING})
    lines = log("lost", {}, pairs=40)
    far = "".join(f"lost,2000-01-01 00:0{i}:00,{90 + i},RATE,,,5,2026-02-01 00:0{i}:05\n" for i in range(9))
    drop(site, "wards.csv", HEADER + lines + far)
    read(site)
    told = proposals(tmp_path)
    assert [(p.from_clock, p.propose) for p in told] == [("", False), ("2000-01-01 00:00:00", False)]
    assert told[1].why.startswith("9 readings, up to 2000-01-01 00:08:00, lie 60 days or more before")
