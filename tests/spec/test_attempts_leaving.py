"""Attempts after which the library was left (ruling 8)."""

from __future__ import annotations

import pytest
from tests.spec.drawn_attempts import BOTH_ENGINES, read
from tests.spec.warned_log import row, warned

pytestmark = BOTH_ENGINES


def test_ruling_8_a_bypass_with_a_rate_leaves_the_library(engine: str) -> None:
    """Warned, the user leaves the library at 100 mL/h: the infusion outside it is the attempt's."""
    found = read(engine, warned(row("10:31:00", "library_bypassed", "100")))
    found.attempts("""
    | attempt_id | infusion_id | entry   | decided_at | outcome      | entered_final | change_factor |
    | e2         | e3          | heparin | 10:31      | left_library |               |               |
    """)
    found.programmings("""
    | programming_id | infusion_id | at    | phase  | attempt_id |
    | e1             | e1          | 10:00 | start  |            |
    | e2             | e3          | 10:30 | change | e2         |
    """)


def test_ruling_8_left_library_wins_over_cancelled(engine: str) -> None:
    """Cancelled, and 9 min after the alert a plain rate runs outside the library: left, decided at the cancel (31)."""
    read(engine, warned(
        row("10:30:20", "attempt_cancelled"), row("10:39:00", "infusion_started", "100", use="bypassed"), running=False,
    )).attempts("""
    | attempt_id | infusion_id | decided_at | outcome      |
    | e1         | e3          | 10:30:20   | left_library |
    """)  # fmt: skip


def test_ruling_8_left_library_wins_over_unchanged(engine: str) -> None:
    """A change given up while running, then the library left within 10 min of the last alert."""
    read(engine, warned(
        row("10:30:20", "attempt_cancelled"), row("10:33:00", "library_bypassed", "100"),
    )).attempts("""
    | attempt_id | infusion_id | outcome      |
    | e2         | e4          | left_library |
    """)  # fmt: skip


@pytest.mark.parametrize(("second", "outcome"), [("00", "left_library"), ("01", "cancelled")])
def test_ruling_8_ten_minutes_count_from_the_last_alert(engine: str, second: str, outcome: str) -> None:
    """Delivery outside that begins exactly 10 min after the last alert still counts."""
    infusion = "e3" if outcome == "left_library" else ""
    read(engine, warned(
        row("10:30:20", "attempt_cancelled"),
        row(f"10:40:{second}", "infusion_started", "100", use="bypassed"), running=False,
    )).attempts(f"""
    | attempt_id | infusion_id | outcome   |
    | e1         | {infusion}  | {outcome} |
    """)  # fmt: skip


def test_ruling_8_an_in_library_programme_between_stands_in_the_way(engine: str) -> None:
    """Cancelled, then something in the library was confirmed, then the library left: not this attempt's doing."""
    read(engine, warned(
        row("10:31:00", "attempt_cancelled"), row("10:32:00", "infusion_started", "15", use="limited", entry="heparin"),
        row("10:36:00", "library_bypassed", "100"), running=False,
    )).attempts("""
    | attempt_id | infusion_id | outcome   |
    | e1         |             | cancelled |
    """)  # fmt: skip


def test_ruling_8_never_replaces_an_override(engine: str) -> None:
    """Overridden, and the library left two minutes later: it stays an override."""
    read(
        engine, warned(row("10:31:00", "rate_changed", "100"), row("10:33:00", "library_bypassed", "100"))
    ).attempts("""
    | attempt_id | infusion_id | outcome    |
    | e2         | e1          | overridden |
    """)


def test_ruling_10_a_bypass_without_a_rate_counts_when_its_delivery_begins(engine: str) -> None:
    """The bypass ends the attempt at 10:31; the start after it runs outside the library, so it was left."""
    read(engine, warned(
        row("10:31:00", "library_bypassed"), row("10:32:00", "infusion_started", "100"), running=False,
    )).attempts("""
    | attempt_id | infusion_id | decided_at | outcome      |
    | e1         | e3          | 10:31      | left_library |
    """)  # fmt: skip


def test_ruling_8_a_bypass_that_delivers_nothing_is_unknown(engine: str) -> None:
    """The key was pressed and nothing ran outside the library within 10 min."""
    read(engine, warned(row("10:31:00", "library_bypassed"), running=False)).attempts("""
    | attempt_id | infusion_id | decided_at | outcome |
    | e1         |             | 10:31      | unknown |
    """)


def test_ruling_8_a_bypass_for_the_next_patient_is_not_this_attempts(engine: str) -> None:
    """No attempt spans a patient change."""
    read(engine, warned(
        row("10:31:00", "attempt_cancelled"), row("10:32:00", "patient_changed"),
        row("10:33:00", "infusion_started", "100", use="bypassed"), running=False,
    )).attempts("""
    | attempt_id | outcome   |
    | e1         | cancelled |
    """)  # fmt: skip
