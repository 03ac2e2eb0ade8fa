"""The pumps of the invented hospital and the parts that some of them play."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dripledger.hospital.calendar import Calendar, Ints
from dripledger.hospital.scenario import Scenario

#: What family a pump belongs to, by the shape of its logs.
FAMILIES = ("A", "B", "C")
#: Model and type of each family's pumps, as pumps.csv tells them.
MODELS = (("A-one", "syringe"), ("B-two", "large_volume"), ("C-three", "large_volume"))


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
    of_c = max(1, round(count * scenario.fleet.family_c_share))
    sizes = (count - of_b - of_c, of_b, of_c)
    family = np.repeat(np.arange(len(FAMILIES)), sizes).astype(np.int64)
    forms = ("BV-A{:03d}", "bv.b/{:03d}", "BVC{:04d}")
    names = [form.format(i + 1) for form, size in zip(forms, sizes, strict=True) for i in range(size)]
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
        service_to[count - of_c - 3] = calendar.month_starts[3]
    return Fleet(
        names, family, home.astype(np.int64), delay.astype(np.int64), service_from, service_to,
        autumn=0, autumn_unclear=1, fast=2, workshop=3, silent=count - of_c - 1,
        clock_from=int(calendar.month_starts[1]),
    )  # fmt: skip
