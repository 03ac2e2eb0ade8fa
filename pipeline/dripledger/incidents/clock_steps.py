"""Where the pump's clock was set: how long it really was between the events on both sides, no time tells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from dripledger.incidents.case import Case
from dripledger.incidents.rows import Row


@dataclass(frozen=True)
class ClockStep:
    """One setting of the clock, between two neighbouring events of a pump.

    Parameters
    ----------
    before_at, after_at
        When the clock stood so at the event before it and at the one after it, UTC.
    why
        What is not known, in words.
    """

    before_at: datetime
    after_at: datetime
    why: str

    @property
    def is_back(self) -> bool:
        """Whether the times between the two were shown twice, and not perhaps never."""
        return self.after_at < self.before_at

    @property
    def times(self) -> tuple[datetime, datetime]:
        """The earlier and the later of both times."""
        return min(self.before_at, self.after_at), max(self.before_at, self.after_at)

    def touches(self, segments: Sequence[Row]) -> bool:
        """Whether something may have flowed on a channel at that time, by its stretches."""
        first, last = self.times
        flowing = [s for s in segments if s["volume_ml"] is None or s["volume_ml"] > 0]
        if self.is_back:
            return any(s["started_at"] <= last and s["ended_at"] >= first for s in flowing)
        return any(s["started_at"] < last and s["ended_at"] > first for s in flowing)


def clock_steps(case: Case) -> list[ClockStep]:
    """Return every setting of the clock of a case, in order of place.

    A logged setting stands by the old clock or by the new one. Where it stands before the event before it,
    or after the one after it, that tells which; else nothing does, and the doubt reaches from the one to the
    other.
    """
    found = []
    events = case.pump_order
    for before, after in pairwise(events):
        if after["after_clock_back"]:
            found.append(_step(before, after, "was set back"))
    for before, setting, after in zip(events, events[1:], events[2:], strict=False):
        told = not (setting["after_clock_back"] or after["after_clock_back"])
        if setting["kind"] == "clock_set" and told:
            found.append(_step(before, after, "was set"))
    return found


def _step(before: Row, after: Row, what: str) -> ClockStep:
    return ClockStep(
        before["occurred_at"],
        after["occurred_at"],
        f"a clock that {what}: how long it really was between the events on both sides is not known",
    )
