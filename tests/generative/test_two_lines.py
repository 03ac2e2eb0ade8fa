"""Two lines of one channel in any order of steps: SQL and oracle agree in every column of both tables.

The logs drawn elsewhere seldom hold a secondary, a keep-open rate, an alarm and a bolus in one hour; these
hold little else.
"""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from tests.generative.test_attempts_oracle import numbered
from tests.generative.test_infusions_oracle import disagreements, shortest

Row = dict[str, Any]

PRIMARY = {
    "kind": "infusion_started", "rate_ml_h": 5.0, "library_use": "limited", "entry": "heparin",
    "fluid_source": "primary",
}  # fmt: skip
SECONDARY = PRIMARY | {"rate_ml_h": 20.0, "entry": "saline", "fluid_source": "secondary"}
NO_LINE = {"kind": "infusion_started", "rate_ml_h": 20.0, "library_use": "limited", "entry": "saline"}
STEPS: tuple[Row, ...] = (
    PRIMARY, PRIMARY, SECONDARY, SECONDARY, NO_LINE,
    {"kind": "infusion_stopped"}, {"kind": "infusion_stopped"}, {"kind": "infusion_completed"},
    {"kind": "infusion_paused"}, {"kind": "infusion_resumed"},
    {"kind": "kvo_started", "rate_ml_h": 1.0},
    {"kind": "bolus_started", "rate_ml_h": 60.0},
    {"kind": "rate_changed", "rate_ml_h": 9.0},
    {"kind": "alarm_raised", "alarm_kind": "occlusion", "stops_delivery": True},
    {"kind": "library_bypassed"}, {"kind": "library_bypassed", "rate_ml_h": 12.0},
    {"kind": "totals_cleared"}, {"kind": "powered_off"}, {"kind": "powered_on"}, {"kind": "key_pressed"},
)  # fmt: skip
#: Seconds: within the two of a switch, within the window after a stop, beyond it, beyond that after a pause.
APART = (1, 2, 60, 300, 600, 1000, 4000)


def drawn(count: int, seed: int) -> list[Row]:
    """Draw so many pumps' logs; each begins with a primary and its secondary."""
    chance = Random(seed)
    events = []
    for pump in range(count):
        told = [PRIMARY, SECONDARY, *chance.choices(STEPS, k=chance.randint(2, 8))]
        steps = [(chance.choice(APART), {**step, "channel": "A"}) for step in told]
        for event in numbered(steps, chance.random() < 0.5, False):
            events.append(event | {"pump_id": f"P{pump}", "event_id": f"{pump}-{event['event_id']}"})
    return events


def check(count: int, seed: int, least: float = 1.0) -> None:
    """Fail with the shortest log on which they differ where fewer agree than the least share."""
    events = drawn(count, seed)
    found = disagreements(events)
    if 1 - len(found) / count < least:
        told = f"{len(found)} of {count} logs of seed {seed} differ; the shortest:\n{shortest(events, found)}"
        pytest.fail(told, pytrace=False)


def test_two_lines_of_a_channel_read_alike() -> None:
    check(600, 8)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 4, 9, 16, 25])
def test_two_lines_of_many_channels_read_alike(seed: int) -> None:
    """Nearly: no text says what a bypass with a rate in a bolus is, or keep-open after an alarm's hour."""
    check(3000, seed, least=0.998)
