"""What of the logs is held: missing numbers, counters begun anew, late files, silent pumps, clocks ahead."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from tests.event_samples import HEADER, WARDS, drop, make_site, read

from dripledger.commands.status import as_table, describe
from dripledger.site import load_site
from dripledger.store import Ledger


def told(root: Path) -> dict[str, Any]:
    site = load_site(root)
    return describe(site, Ledger.open(site.store).snapshot())


def complete(root: Path) -> dict[str, Any]:
    return told(root)["completeness"]  # type: ignore[no-any-return]


def line(pump: str, when: str, number: int | str) -> str:
    return f"{pump},{when},{number},RATE,ICU,x,5,\n"


def test_share_held_by_pump_and_month(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    text = "".join(line("P1", f"2026-08-0{n} 10:00:00", n) for n in (1, 2, 5, 6))  # 3 and 4 are missing
    text += "".join(line("P1", f"2026-09-0{n} 10:00:00", 6 + n) for n in (1, 2))
    text += (
        line("P2", "2026-08-01 10:00:00", 10)
        + line("P2", "no time", 11)
        + line("P2", "2026-08-02 10:00:00", 12)
    )
    drop(site, "wards.csv", HEADER + text)
    read(site)
    rows = complete(tmp_path)["pump_months"]
    assert [
        (r["month"], r["pump_id"], r["seen"], r["missing"], r["gaps"], r["events"], r["days_heard"])
        for r in rows
    ] == [
        ("2026-08", "P1", 4, 2, 1, 4, 4),
        ("2026-08", "P2", 3, 0, 0, 2, 2),
        ("2026-09", "P1", 2, 0, 0, 2, 2),
    ]
    assert [r["share_held"] for r in rows] == [pytest.approx(4 / 6), 1.0, 1.0]
    table = as_table(told(tmp_path)).to_pylist()
    assert {
        "about": "log held",
        "name": "2026-08",
        "value": "2 pumps, 7 of 9 numbers (77.78%), 1 gap",
    } in table


@pytest.mark.parametrize(
    ("before", "after", "what"),
    [(40, 1, "resets"), (65535, 0, "wraps"), (9999, 1, "wraps"), (9999, 3, "resets"), (41, 40, "resets")],
)
def test_counter_begun_anew(tmp_path: Path, before: int, after: int, what: str) -> None:
    site = make_site(tmp_path)
    text = "".join(line("P1", f"2026-08-01 10:0{n}:00", before - 3 + n) for n in range(4))
    text += "".join(line("P1", f"2026-08-02 10:0{n}:00", after + n) for n in range(4))
    drop(site, "wards.csv", HEADER + text)
    read(site)
    (row,) = complete(tmp_path)["pump_months"]
    assert {name: row[name] for name in ("resets", "wraps")} == {"resets": 0, "wraps": 0, what: 1}
    assert (row["seen"], row["missing"], row["share_held"]) == (8, 0, 1.0)


def test_unreliable_numbers_tell_nothing(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": WARDS.replace("sequence_reliable = true", "")})
    drop(
        site,
        "wards.csv",
        HEADER + line("P1", "2026-08-01 10:00:00", 1) + line("P1", "2026-08-01 11:00:00", 9),
    )
    read(site)
    (row,) = complete(tmp_path)["pump_months"]
    assert (row["seen"], row["missing"], row["share_held"], row["events"]) == (None, None, None, 2)


def test_late_file_is_named(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(
        site,
        "wards2.csv",
        HEADER + line("P1", "2026-09-05 10:00:00", 5) + line("P2", "2026-08-01 10:00:00", 1),
    )
    read(site)
    assert complete(tmp_path)["late_files"] == []
    late = "".join(line("P1", f"2026-08-0{n} 10:00:00", n) for n in (1, 2, 3))
    drop(site, "wards1.csv", HEADER + late + line("P2", "2026-08-02 10:00:00", 2))
    read(site)
    found = complete(tmp_path)
    assert [(f["path"], f["late_events"], f["pumps"]) for f in found["late_files"]] == [("wards1.csv", 3, 1)]
    assert {(r["month"], r["pump_id"]): r["late_events"] for r in found["pump_months"]} == {
        ("2026-08", "P1"): 3,
        ("2026-08", "P2"): 0,
        ("2026-09", "P1"): 0,
    }


def test_pump_that_fell_silent(tmp_path: Path) -> None:
    listed = "pump,model,type,home_area,in_service_from,in_service_to\nP1,,,,,\nP2,,,,,\nP3,,,,,2026-08-15\n"
    site = make_site(tmp_path, pumps=listed)
    text = "".join(line("P1", f"2026-08-{n:02d} 10:00:00", n) for n in range(1, 32))
    text += "".join(line(p, f"2026-08-{n:02d} 10:00:00", n) for n in range(1, 16) for p in ("P2", "P3"))
    # seldom used, and never more often
    text += "".join(line("P4", f"2026-0{1 + n // 2}-{1 + n % 2 * 14:02d} 10:00:00", n) for n in range(15))
    drop(site, "wards.csv", HEADER + text)
    read(site)
    assert complete(tmp_path)["silent_pumps"] == [
        {"pump_id": "P2", "last_day": date(2026, 8, 15), "silent_days": 16, "usual_days": 1}
    ]


def test_clock_far_ahead_is_shown_and_makes_nothing_late_or_silent(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    text = "".join(line("P1", f"2026-08-{n:02d} 10:00:00", n) for n in range(1, 21))
    drop(site, "wards1.csv", HEADER + text + line("P1", "2199-01-01 10:00:00", 21))
    read(site)
    drop(site, "wards2.csv", HEADER + line("P1", "2026-08-21 10:00:00", 22))
    read(site)
    found = complete(tmp_path)
    assert [(r["pump_id"], r["events"], r["furthest_at"].year) for r in found["clocks_ahead"]] == [
        ("P1", 1, 2199)
    ]
    assert (found["late_files"], found["silent_pumps"]) == ([], [])


def test_empty_store(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER)
    read(site)
    assert complete(tmp_path) == {"pump_months": [], "late_files": [], "silent_pumps": [], "clocks_ahead": []}
