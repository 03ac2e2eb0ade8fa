"""What was told long ago and holds on, behind days that tell it only seemingly: such a pump is read whole.

Each case has a first day that tells something, days that tell it only seemingly, quiet days, on which nothing
would come out otherwise, so that a comparison with what stands finds nothing, and a newest day on which it
counts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import Any

import pytest
from tests.generative.awkward_logs import Row, blank
from tests.generative.test_infusions_incremental import MemoryWriter, full, rows
from tests.generative.test_resumed import BEGIN, Resumed, take, watched

from dripledger.infusions.build import RESULTS

#: Seconds after a day's switching on, kind, channel, values.
Told = tuple[float, str, str, dict[str, Any]]
Days = list[Sequence[Told]]

QUIET: Sequence[Told] = ((60, "key_pressed", "", {}),)
START = {"rate_ml_h": 30.0, "library_use": "limited", "entry": "heparin"}
STOP: Told = (4_000, "infusion_stopped", "A", {})


def started(channel: str = "A", **values: Any) -> Told:
    return (60, "infusion_started", channel, values)


def told(first: Sequence[Told], seemingly: Sequence[Told], newest: Sequence[Told]) -> Days:
    return [first, *[seemingly] * 3, *[QUIET] * 3, newest]


def logged(pump: str, days: Days, numbered: bool = False) -> list[list[Row]]:
    logs = []
    for day, rows_told in enumerate(days):
        at = BEGIN + timedelta(days=day)
        whole = [(0.0, "powered_on", "", {}), *rows_told, (5_000.0, "powered_off", "", {})]
        logs.append(
            [
                blank(100 * day + place, at + timedelta(seconds=after), kind, channel)
                | {"pump_id": pump, "event_id": f"{pump} {day} {place}"}
                | ({"sequence": 1000 + 100 * day + place, "sequence_reliable": True} if numbered else {})
                | values
                for place, (after, kind, channel, values) in enumerate(whole)
            ]
        )
    return logs


def moved(logs: list[list[Row]], day: int, by: timedelta, number: int) -> None:
    """Let a day be of another time, and its numbers lower."""
    for place, row in enumerate(logs[day]):
        row["occurred_at"] += by
        row["sequence"] = number + place


def clock_was_ahead() -> list[list[Row]]:
    """The first records are of a clock that ran ahead; one number is lost, then the clock is right."""
    logs = logged(
        "ahead",
        [(started(**START), STOP), *[(started(**START), STOP)] * 4, *[QUIET] * 3, (started(**START),)],
        numbered=True,
    )
    moved(logs, 0, timedelta(days=2, hours=4), 1)
    del logs[8][-1]
    number = 1000
    for log in logs[1:]:
        for row in log:
            row["sequence"] = number
            number += 1
    return [[*logs[1], *logs[2], *logs[0]], *logs[3:]]


def begun_late(pump: str, days: Days) -> list[list[Row]]:
    """The log begins in the middle of a use."""
    logs = logged(pump, days)
    del logs[0][0]
    return logs


CHANGED: Told = (600, "rate_changed", "A", {"rate_ml_h": 30.0})
SAME_RATE = (started(library_use="limited", entry="heparin"), CHANGED, STOP)

CASES: dict[str, Callable[[], list[list[Row]]]] = {
    "rate of a dose cycle": lambda: logged(
        "cycle",
        told(
            (started(**START), STOP),
            (
                started(library_use="limited", entry="heparin"),
                (90, "dose_cycle_started", "A", {"rate_ml_h": 45.0, "dose_value": None}),
                STOP,
            ),
            SAME_RATE,
        ),
    ),
    "use of a dose cycle": lambda: logged(
        "usecycle",
        told(
            (started(**START), STOP),
            (started(rate_ml_h=30.0), (90, "dose_cycle_started", "A", {"library_use": "bypassed"}), STOP),
            (started(rate_ml_h=20.0), CHANGED, STOP),
        ),
    ),
    "use behind an unknown one": lambda: logged(
        "unknown",
        told(
            (started(**START), STOP),
            (started(rate_ml_h=30.0, library_use="unknown", entry="heparin"), STOP),
            (
                started(rate_ml_h=30.0, library_use="unknown", entry="heparin"),
                (600, "programme_changed", "A", {"library_use": "no_limit_entry", "rate_ml_h": 20.0}),
                STOP,
            ),
        ),
    ),
    "bypass without effect": lambda: logged(
        "bypass",
        told(
            (started(**START), STOP),
            (
                started(rate_ml_h=30.0),
                STOP,
                (4_100, "library_bypassed", "A", {"library_use": "bypassed"}),
            ),
            (started(rate_ml_h=20.0), CHANGED, STOP),
        ),
    ),
    "rate of a stop": lambda: begun_late(
        "stop",
        told(
            ((70, "infusion_stopped", "A", {"rate_ml_h": 30.0}),),
            ((60, "key_pressed", "A", {}),),
            SAME_RATE,
        ),
    ),
    "secondary of the whole pump": lambda: logged(
        "whole",
        told(
            (started(**START), (90, "key_pressed", "A", {}), STOP),
            (
                started("", fluid_source="secondary", rate_ml_h=45.0, library_use="limited"),
                (90, "infusion_resumed", "A", {"rate_ml_h": 45.0, "library_use": "limited"}),
                STOP,
            ),
            (started("", fluid_source="primary", library_use="limited"), CHANGED, STOP),
        ),
    ),
    "bypass of the other line": lambda: logged(
        "line",
        [
            (
                started(fluid_source="primary", rate_ml_h=30.0),
                (600, "library_bypassed", "A", {"fluid_source": "secondary"}),
                (700, "infusion_started", "A", {"fluid_source": "primary", "rate_ml_h": 30.0}),
                STOP,
            ),
            *[
                (
                    started(fluid_source="primary", rate_ml_h=30.0),
                    (90, "infusion_started", "A",
                     {"fluid_source": "secondary", "rate_ml_h": 30.0, "library_use": "limited"}),
                    (4_000, "infusion_stopped", "A", {"fluid_source": "secondary"}),
                    (4_100, "library_bypassed", "A", {"fluid_source": "secondary"}),
                )
            ] * 3,
            *[QUIET] * 3,
            (started(fluid_source="primary", rate_ml_h=20.0), STOP),
        ],
    ),
    "clock ahead": clock_was_ahead,
    "nothing hidden": lambda: logged("plain", told(*[(started(**START), CHANGED, STOP)] * 3), numbered=True),
}  # fmt: skip


@pytest.fixture(scope="module")
def compared() -> tuple[Resumed, MemoryWriter, dict[str, list[dict[str, Any]]]]:
    with pytest.MonkeyPatch.context() as patch:
        chosen = watched(patch)
        before: list[Row] = []
        newest: list[Row] = []
        for make in CASES.values():
            logs = make()
            before += [row for log in logs[:-1] for row in log]
            newest += logs[-1]
        writer = MemoryWriter()
        take(writer, before, before)
        take(writer, before + newest, newest)
        return chosen, writer, full(before + newest)


@pytest.mark.parametrize("case", CASES)
def test_what_holds_on_is_read_again(
    case: str, compared: tuple[Resumed, MemoryWriter, dict[str, list[dict[str, Any]]]]
) -> None:
    chosen, writer, wanted = compared
    pump = CASES[case]()[0][0]["pump_id"]
    assert (chosen[pump][0] is not None) == (case == "nothing hidden")
    for name in RESULTS:
        stands = [row for row in rows(writer.tables[name], name) if row["pump_id"] == pump]
        assert stands == [row for row in wanted[name] if row["pump_id"] == pump], name
