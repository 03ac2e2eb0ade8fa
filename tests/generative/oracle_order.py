"""The oracle's order of events, and how each hangs on the one before it (rulings 22, 47)."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from itertools import pairwise
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
    rest = [[e] for e in events if not (e["sequence_reliable"] and e["sequence"] is not None)]
    # at one instant what the counter does not order comes first, then one life of the counter after the other
    placed = [((run[0]["occurred_at"], -1, -1, *tie(run[0])), run) for run in rest]
    for number, life in enumerate(_lives(numbered)):
        for run in _runs(life):
            placed.append(((run[0]["occurred_at"], number, run[0]["sequence"]), run))
    runs = [run for _, run in sorted(placed, key=lambda p: p[0])]
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
    """Stretches of consecutive numbers of one life of the counter."""
    runs: list[list[Event]] = []
    for event in sorted(events, key=lambda e: (e["sequence"], e["occurred_at"], tie(e))):
        if runs and event["sequence"] - runs[-1][-1]["sequence"] <= 1:
            runs[-1].append(event)
        else:
            runs.append([event])
    return runs


def _lives(events: list[Event]) -> list[list[Event]]:
    """Tell the lives of a counter apart by the pump's clock (47).

    By the clock the numbers climb; a climb that brings a number for the second time begins the second life,
    and what climbs after it belongs to it too. A clock set back climbs anew as well, but repeats no number,
    and what two sources tell of one instant in two zones is one number.
    """
    first: dict[tuple[int, datetime], datetime] = {}
    for event in events:
        told = (event["sequence"], event["occurred_at"])
        first[told] = min(first.get(told, event["device_time"]), event["device_time"])
    lives: list[list[Event]] = []
    seen: dict[int, set[datetime]] = {}
    life = 0
    for climb in _climbs(events):
        for event in climb:
            seen.setdefault(event["sequence"], set()).add(first[event["sequence"], event["occurred_at"]])
        life = max([life, *(len(seen[event["sequence"]]) for event in climb)])
        lives += [[] for _ in range(life - len(lives))]
        lives[life - 1] += climb
    return [events for events in lives if events]


def _climbs(events: list[Event]) -> list[list[Event]]:
    # within one reading of the clock, what goes on comes before what begins anew
    top: dict[datetime, int] = {}
    for e in events:
        top[e["device_time"]] = max(top.get(e["device_time"], -1), e["sequence"])
    clocks = sorted(top)
    before = {clock: top[earlier] for earlier, clock in pairwise(clocks)}
    by_clock = sorted(
        events,
        key=lambda e: (
            e["device_time"],
            e["sequence"] <= before.get(e["device_time"], e["sequence"]),
            e["sequence"],
            e["event_id"],
        ),
    )
    climbs: list[list[Event]] = []
    for event in by_clock:
        last = climbs[-1][-1] if climbs else None
        again = last is not None and (
            event["sequence"] < last["sequence"]
            or (event["sequence"] == last["sequence"] and event["device_time"] != last["device_time"])
        )
        if last is None or again:
            climbs.append([event])
        else:
            climbs[-1].append(event)
    return climbs
