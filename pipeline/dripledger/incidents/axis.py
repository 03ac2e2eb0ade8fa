"""The time axis of a figure: ticks at whole local times, and labels laid out so that none covers another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

_STEPS_S: Final = (
    1, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 2 * 86400,
    7 * 86400,
    30 * 86400,
)  # fmt: skip


def ticks(begins: datetime, ends: datetime, zone: ZoneInfo, most: int = 9) -> list[tuple[datetime, str]]:
    """Return the ticks of an axis: instants and their local times.

    The date stands at the first tick and wherever the day changes; the offset from UTC at the first tick and
    wherever it changes, so that the two hours of autumn are told apart.
    """
    span = max((ends - begins).total_seconds(), 1.0)
    step = next((s for s in _STEPS_S if span / s <= most), _STEPS_S[-1])
    found: list[tuple[datetime, str]] = []
    # whole local times: count from local midnight, in true elapsed seconds
    start = begins.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0).astimezone(UTC)
    count = int((begins - start).total_seconds() // step)
    moment = start + timedelta(seconds=count * step)
    last_day, last_offset = None, None
    while moment <= ends and len(found) < 60:
        if moment >= begins:
            local = moment.astimezone(zone)
            text = f"{local:%H:%M:%S}" if step < 60 else f"{local:%H:%M}"
            offset = f"{local:%z}"
            extra = []
            if local.date() != last_day:
                extra.append(f"{local:%Y-%m-%d}")
            if offset != last_offset:
                extra.append(f"{offset[:3]}:{offset[3:]}")
            found.append((moment, "\n".join([text, *extra])))
            last_day, last_offset = local.date(), offset
        moment += timedelta(seconds=step)
    return found


@dataclass(frozen=True)
class Placed:
    """A label with its lane, counted from 0."""

    at: float
    text: str
    lane: int
    mark: str


def lay_out(
    marks: Sequence[tuple[float, str, str]], width_of: float, right: float, lanes: int
) -> tuple[list[Placed], int]:
    """Place labels in lanes so that none covers another.

    Parameters
    ----------
    marks
        (place on the axis, text, kind of mark), in order of place.
    width_of
        Width of one character in the axis's unit.
    right
        Where the axis ends; a label that would pass it stands to the left of its mark.
    lanes
        How many lanes there are.

    Returns
    -------
    tuple
        The labels that found room; how many found none.
    """
    ends = [float("-inf")] * lanes
    placed: list[Placed] = []
    left_out = 0
    for at, text, kind in sorted(marks):
        width = width_of * (len(text) + 3)
        start = at if at + width <= right else max(right - width, 0.0)
        lane = next((n for n, end in enumerate(ends) if end <= start), None)
        if lane is None:
            left_out += 1
            continue
        ends[lane] = max(start, at) + width
        placed.append(Placed(at, text, lane, kind))
    return placed, left_out
