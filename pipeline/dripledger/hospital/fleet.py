"""The pumps of the invented hospital and the parts that some of them play."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dripledger.hospital.calendar import Calendar, Ints
from dripledger.hospital.scenario import Scenario

#: What family a pump belongs to; a third family joins here and in `families`.
FAMILIES = ("A", "B")


@dataclass(frozen=True)
class Fleet:
    """All pumps, one array entry a pump.

    `names` as the logs write them; `family` index into FAMILIES; `home` index of the care area;
    `library_delay_s` from a release to its arrival at the pump; `service_from`, `service_to` are instants.
    The single pumps named at the end are those that play a planted part.
    """

    names: list[str]
    family: Ints
    home: Ints
    library_delay_s: Ints
    service_from: Ints
    service_to: Ints
    autumn: int
    autumn_unclear: int
    fast: int
    workshop: int
    silent: int
    clock_from: int

    @property
    def size(self) -> int:
        """Number of pumps."""
        return len(self.names)

    def in_family(self, letter: str) -> Ints:
        """Return the pumps of one family."""
        found: Ints = np.flatnonzero(self.family == FAMILIES.index(letter)).astype(np.int64)
        return found


def build_fleet(scenario: Scenario, calendar: Calendar, rng: np.random.Generator) -> Fleet:
    """Draw the pumps."""
    count = scenario.fleet.pumps
    of_b = max(3, round(count * scenario.fleet.family_b_share))
    family = np.array([0] * (count - of_b) + [1] * of_b, np.int64)
    serial = [i + 1 if f == 0 else i + 1 - (count - of_b) for i, f in enumerate(family)]
    names = [
        f"BV-A{number:03d}" if f == 0 else f"bv.b/{number:03d}"
        for number, f in zip(serial, family, strict=True)
    ]
    shares = np.array([area.share for area in scenario.care_area])
    weights = np.round(shares * 100).astype(int)
    home = rng.choice(np.arange(len(shares)), count, p=weights / weights.sum())
    late = rng.random(count) < scenario.fleet.late_library_share
    delay = np.where(late, rng.integers(25, 70, count), rng.integers(0, 7, count)) * 86400
    start, end = int(calendar.month_starts[0]), int(calendar.month_starts[-1])
    service_from = np.full(count, start - 400 * 86400, np.int64)
    service_to = np.full(count, end + 400 * 86400, np.int64)
    if len(calendar.months) > 4 and count >= 20:  # one pump joins and one retires, both at a month's turn
        service_from[4] = calendar.month_starts[2]
        service_to[count - 3] = calendar.month_starts[3]
    return Fleet(
        names, family, home.astype(np.int64), delay.astype(np.int64), service_from, service_to,
        autumn=0, autumn_unclear=1, fast=2, workshop=3, silent=count - 1,
        clock_from=int(calendar.month_starts[1]),
    )  # fmt: skip
