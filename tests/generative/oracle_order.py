"""The oracle's order of events, and how each hangs on the one before it (rulings 22, 47)."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from tests.generative.oracle_words import Event

from dripledger.schema.codes import TIE_ORDER


def tie(event: Event) -> tuple[Any, ...]:
    """What decides between events of one instant."""
    rank = event["file_rank"]
    return (-1 if rank is None else rank, TIE_ORDER.index(event["kind"]), event["event_id"])


def in_order(events: Iterable[Event]) -> tuple[list[Event], list[str]]:
    """Put one pump's events in order; beside each stands how it hangs on the one before it.

    ``unbroken``: nothing was lost between them; ``gap``: numbers are missing; ``unsure``: nobody can say.
    """
    numbered = [e for e in events if e["sequence_reliable"] and e["sequence"] is not None]
    runs = _runs(numbered)
    runs += [[e] for e in events if not (e["sequence_reliable"] and e["sequence"] is not None)]
    runs.sort(key=lambda run: (run[0]["occurred_at"], _number(run[0], -1), tie(run[0])))
    ordered: list[Event] = []
    links: list[str] = []
    for run in runs:
        if not ordered:
            link = "first"
        else:
            before, after = _number(ordered[-1], None), _number(run[0], None)
            if before is None or after is None:
                link = "unsure"
            else:
                link = "gap" if after > before + 1 else "unbroken"  # lower: the counter was reset (47)
        ordered += run
        links += [link] + ["unbroken"] * (len(run) - 1)
    return ordered, links


def _number(event: Event, otherwise: int | None) -> Any:
    usable = event["sequence_reliable"] and event["sequence"] is not None
    return event["sequence"] if usable else otherwise


def _runs(events: list[Event]) -> list[list[Event]]:
    """Stretches of consecutive numbers; where a number occurs twice, told apart by the pump's clock (47)."""
    by_number = sorted(events, key=lambda e: (e["sequence"], e["occurred_at"], tie(e)))
    runs: list[list[Event]] = []
    for stretch in _split(by_number):
        clocks: dict[int, set[datetime]] = {}
        for event in stretch:
            clocks.setdefault(event["sequence"], set()).add(event["device_time"])
        if any(len(seen) > 1 for seen in clocks.values()):
            # within one reading of the clock, what goes on comes before what begins anew
            top = dict.fromkeys(sorted({e["device_time"] for e in events}), -1)
            for e in events:
                top[e["device_time"]] = max(top[e["device_time"]], e["sequence"])
            before = dict(zip(list(top)[1:], top.values(), strict=False))
            by_clock = sorted(
                stretch,
                key=lambda e: (
                    e["device_time"],
                    e["sequence"] <= before.get(e["device_time"], e["sequence"]),
                    e["sequence"],
                    tie(e),
                ),
            )
            runs += _split(by_clock, resets=True)
        else:
            runs.append(stretch)
    return runs


def _split(events: list[Event], *, resets: bool = False) -> list[list[Event]]:
    runs: list[list[Event]] = []
    for event in events:
        last = runs[-1][-1] if runs else None
        step = None if last is None else event["sequence"] - last["sequence"]
        # the same number at another reading of the clock is a reset (47)
        again = last is not None and resets and event["device_time"] != last["device_time"]
        if step == 1 or (step == 0 and not again):
            runs[-1].append(event)
        else:
            runs.append([event])
    return runs
