"""Local time for whole arrays: offsets, readings of a clock, months, and the repeated hour."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

#: Offsets of all zones in use today change on a quarter of an hour of UTC.
_STEP_S = 900


def month_after(month: str, by: int) -> str:
    """Return the month `by` months after 'YYYY-MM'."""
    number = int(month[:4]) * 12 + int(month[5:]) - 1 + by
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


class Calendar:
    """A zone's offsets over a span of instants, in whole seconds since 1970 UTC."""

    def __init__(self, zone_name: str, first_month: str, months: int) -> None:
        self.zone = ZoneInfo(zone_name)
        self.months = [month_after(first_month, i) for i in range(months)]
        self.month_starts: Ints = np.array(
            [self.instant(f"{month_after(first_month, i)}-01T00:00:00") for i in range(months + 1)], np.int64
        )
        self._base = int(self.month_starts[0]) - 40 * 86400
        steps = (int(self.month_starts[-1]) + 40 * 86400 - self._base) // _STEP_S
        self._offsets: Ints = np.array(
            [self._offset(self._base + i * _STEP_S) for i in range(steps)], np.int64
        )
        self.offsets: Ints = np.unique(self._offsets)

    def _offset(self, instant: int) -> int:
        delta = datetime.fromtimestamp(instant, UTC).astimezone(self.zone).utcoffset()
        return int((delta or timedelta()).total_seconds())

    def instant(self, local: str) -> int:
        """Return the instant of a local time given as ISO text (the first, if it occurs twice)."""
        return int(datetime.fromisoformat(local).replace(tzinfo=self.zone).timestamp())

    def offset(self, instants: Ints) -> Ints:
        """Return the zone's offset in seconds at each instant."""
        found: Ints = self._offsets[np.clip((instants - self._base) // _STEP_S, 0, len(self._offsets) - 1)]
        return found

    def reading(self, instants: Ints) -> Ints:
        """Return the local clock reading at each instant, as seconds since 1970 of that clock."""
        shown: Ints = instants + self.offset(instants)
        return shown

    def month_index(self, instants: Ints) -> Ints:
        """Return the index of the local month of each instant (-1 before the first)."""
        place: Ints = np.searchsorted(self.month_starts, instants, side="right").astype(np.int64) - 1
        return place

    def autumn_changes(self) -> list[int]:
        """Return the instants at which clocks go back: the hour before is the first of the repeated two."""
        back = np.flatnonzero(np.diff(self._offsets) < 0) + 1
        inside = [self._base + int(i) * _STEP_S for i in back]
        return [t for t in inside if self.month_starts[0] <= t < self.month_starts[-1]]

    def iso(self, instant: int) -> str:
        """Return the local time of an instant as ISO text with its offset."""
        return datetime.fromtimestamp(instant, UTC).astimezone(self.zone).isoformat()

    def local_text(self, instant: int) -> str:
        """Return the local time of an instant as ISO text without an offset."""
        return self.iso(instant)[:19]

    def resolve(self, readings: Ints) -> tuple[Ints, Flags]:
        """Turn one clock's readings, in the order of its sequence, into instants.

        A reading that two instants could have shown takes the one that keeps the sequence in order; where
        both would, the earlier one, and it counts as ambiguous.

        Parameters
        ----------
        readings
            Shape (n,), seconds of the local clock.

        Returns
        -------
        instants, ambiguous
            Shape (n,) each.
        """
        early = np.full(readings.shape, np.iinfo(np.int64).max, np.int64)
        late = np.full(readings.shape, np.iinfo(np.int64).min, np.int64)
        for offset in self.offsets:
            candidate = readings - offset
            fits = self.offset(candidate) == offset
            early = np.where(fits, np.minimum(early, candidate), early)
            late = np.where(fits, np.maximum(late, candidate), late)
        twice = early != late
        instants, ambiguous = early.copy(), twice.copy()
        places = np.flatnonzero(twice)
        if len(places) == 0:
            return instants, ambiguous
        for group in np.split(places, np.flatnonzero(np.diff(places) > 1) + 1):
            falls = np.flatnonzero(np.diff(readings[group]) < 0)
            if len(falls):  # the clock was seen going back: everything before is the first hour
                instants[group[falls[0] + 1 :]] = late[group[falls[0] + 1 :]]
                ambiguous[group] = False
        return instants, ambiguous
