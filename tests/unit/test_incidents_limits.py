"""Which limit would have applied to what ran outside the library."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from dripledger.incidents.findings import _would_have_applied

BEFORE: dict[str, Any] = {
    "infusion_id": "i1", "channel": "A", "entry": "Linol", "ended_at": 1, "rate_ml_h": 10, "care_area": "icu",
    "library_version": "7", "weight_kg": None, "concentration_value": None, "concentration_unit": None,
    "library_use": "limited",
}  # fmt: skip
OUTSIDE = {
    **BEFORE,
    "infusion_id": "i2",
    "entry": None,
    "library_use": "bypassed",
    "ended_at": 3,
    "rate_ml_h": 165.9,
}
ROW = {"infusion_id": "i2", "detail": "Linol", "channel": "A", "at": 2}


def told(**limits: float | None) -> str:
    library = {
        **BEFORE, "limit_quantity": "flow_rate", "dosing_unit": "mL/h", "weight_min_kg": None,
        "weight_max_kg": None, "hard_low": None, "soft_low": None, "soft_high": None, "hard_high": None,
        **limits,
    }  # fmt: skip
    case = SimpleNamespace(segments=[BEFORE, OUTSIDE], libraries=[library])
    return _would_have_applied(ROW, case)  # type: ignore[arg-type]


def test_an_entry_without_limits_is_said_to_have_none() -> None:
    assert told() == "The library set no limit for that drug there."


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ({"soft_high": 100.0}, "165.9 mL/h then: past the soft high limit."),
        ({"soft_high": 100.0, "hard_high": 150.0}, "165.9 mL/h then: past the hard high limit."),
        ({"soft_high": 200.0}, "165.9 mL/h then: not past a high limit."),
    ],
)
def test_the_highest_rate_is_held_against_the_high_limits(limits: dict[str, float], words: str) -> None:
    assert told(**limits).endswith(words)


def test_a_low_limit_alone_says_nothing_of_high_ones() -> None:
    assert told(soft_low=1.0) == (
        "The limit that would have applied, if it was that drug at the same concentration: flow rate: "
        "soft from 1 mL/h."
    )
