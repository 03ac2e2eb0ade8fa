"""What stands under a figure of a trace: its lines and marks in words, only those that are in it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from dripledger.incidents.figure import ZOOM, dose_units, mark_of
from dripledger.incidents.model import Trace
from dripledger.incidents.moments import local_text, seconds_text

#: Marks of single moments, in the order in which the key names them.
_WORDS: Final = {
    "alert": "triangle: limit alert",
    "override": "cross: confirmed past it",
    "power": "square: power, or another patient",
    "unread": "diamond: unread record",
}


def caption(trace: Trace, zone: ZoneInfo, round_at: datetime | None = None) -> str:
    """Return what stands under a figure.

    Parameters
    ----------
    trace
        The trace.
    zone
        Zone of moments.
    round_at
        The moment that the figure is drawn round; None: it shows the whole widened window.
    """
    clock = (
        f"grey bands: the clock's doubt, ± {seconds_text(trace.clock_s)}"
        if trace.clock_known or trace.clock_s > 1
        else f"the clock's doubt is not known beyond its step of {seconds_text(trace.clock_s)}"
    )
    begins, ends = trace.window.begins_at, trace.window.ends_at
    if round_at is not None:
        begins, ends = round_at - ZOOM, round_at + ZOOM
        reach = seconds_text(ZOOM.total_seconds())
        first = f"Round {local_text(round_at, zone)} (line): {reach} either way"
    else:
        first = "Dotted lines: the window that was asked for"
        if trace.at is not None:
            first += f"; line: {local_text(trace.at, zone)}, the moment that was asked for"
    return f"{first}; {clock}. Key: {'; '.join(_key(trace, begins, ends))}."


def _key(trace: Trace, begins: datetime, ends: datetime) -> Iterator[str]:
    def seen(from_at: datetime, to_at: datetime) -> bool:
        return from_at <= ends and to_at >= begins

    shown = [s for s in trace.stretches if seen(s.started_at, s.ended_at)]
    yield "solid: rate"
    channels = dict.fromkeys(s.channel for s in shown)
    if any(len(dose_units(s for s in shown if s.channel == channel)) == 1 for channel in channels):
        yield "dotted: dose (right scale)"
    if any(s.state == "bolus" for s in shown):
        yield "filled: bolus"
    if any(s.state == "unknown" for s in shown):
        yield "hatched //: state unknown"
    holes = [hole for hole in trace.holes if seen(hole.begins_at, hole.ends_at)]
    if any(hole.is_gap for hole in holes):
        yield "hatched xx: records missing"
    if not all(hole.is_gap for hole in holes):
        yield "dashed line: from here a record is there and says nothing, or has no sure place"
    if any(len({s.clock_run for s in shown if s.channel == channel}) > 1 for channel in channels):
        yield "two lines at one time: the clock was set back between them"
    if any(seen(a.raised_at, a.cleared_at or a.ended_at or a.raised_at) for a in trace.alarms):
        yield "bars below: alarms (thick: stopped delivery)"
    marks = {told[1] for line in trace.lines if seen(line.at, line.at) and (told := mark_of(line))}
    yield from (words for mark, words in _WORDS.items() if mark in marks)
