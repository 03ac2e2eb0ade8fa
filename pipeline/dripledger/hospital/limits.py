"""The invented drug library's limits: what a library file says of an entry, and what a programme comes to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.scenario import EntryPlan, Scenario
from dripledger.hospital.world import LIMITED, MOST_CHANGES, Reals, World, rate_after, volume_at

#: Limits as shares of the usual rates: soft ones around them, hard ones well outside.
_HARD_LOW, _SOFT_LOW, _SOFT_HIGH, _HARD_HIGH = 0.2, 0.5, 1.2, 3.0
#: Columns of a limit table.
HARD_LOW, SOFT_LOW, SOFT_HIGH, HARD_HIGH = range(4)

#: Soft and hard high limit on the volume (mL, as a library writes them) of an entry that has no other limit.
VOLUME_LIMITS_ML = ("1000", "1500")
VOLUME_MOST = 100 * int(VOLUME_LIMITS_ML[0])  # in 0.01 mL

#: Amount units as multiples of the unit that concentrations are given in.
_AMOUNT = {"mg": 1.0, "ug": 1000.0, "[IU]": 1.0, "mmol": 1.0}


def dose_factor(concentration_unit: str | None, dosing_unit: str | None) -> float:
    """Return what one mL/h of concentration 1 is in the dosing unit (per kg where the unit says so)."""
    if concentration_unit is None or dosing_unit is None:
        return 0.0
    amount = _AMOUNT[dosing_unit.split("/")[0]] / _AMOUNT[concentration_unit.split("/")[0]]
    return amount / 60 if dosing_unit.endswith("/min") else amount


def limits_of(
    s: Scenario, entry: EntryPlan, strength: float | None, weight_kg: float, version: int
) -> tuple[str, list[str]]:
    """Return the quantity that an entry is limited on, and its four limits as a library file writes them.

    Parameters
    ----------
    s, entry
        The scenario and one of its entries.
    strength
        Concentration, in the entry's unit; None where it has none.
    weight_kg
        The weight that limits per kilogram were set for.
    version
        Index of the library version.

    Returns
    -------
    quantity, limits
        Hard low, soft low, soft high, hard high; empty text where there is none.
    """
    versions = [v.version for v in s.library]
    factor, quantity = 1.0, "flow_rate"
    if entry.dosing_unit is not None and strength is not None:
        factor, quantity = strength * dose_factor(entry.concentration_unit, entry.dosing_unit), "dose_rate"
        if "/kg/" in entry.dosing_unit:
            factor /= weight_kg
    if entry.limits in ("none", "volume"):
        return quantity, ["", "", "", ""]
    hard = entry.limits == "full" or (
        entry.hard_from is not None and versions.index(entry.hard_from) <= version
    )
    loud = entry.quiet_from is not None and version < versions.index(entry.quiet_from)
    low, high = (rate * factor for rate in entry.rates_ml_h)
    soft_high = high * (entry.tight if loud else _SOFT_HIGH)
    return quantity, [
        f"{low * _HARD_LOW:.3g}" if hard else "",
        f"{low * _SOFT_LOW:.3g}",
        f"{soft_high:.3g}",
        f"{high * _HARD_HIGH:.3g}" if hard else "",
    ]


def limited_on_volume(world: World) -> Flags:
    """Return which infusions run under an entry that is limited on the volume alone."""
    of_entry = np.array([*(e.limits == "volume" for e in world.scenario.entry), False])
    found: Flags = of_entry[world.infusions.entry] & (world.infusions.use == LIMITED)
    return found


def confine_volumes(world: World, most_factor: float) -> None:
    """Slow down what would pass its volume limit: nobody is warned about a volume here.

    Parameters
    ----------
    world
        Its infusions' rates are changed.
    most_factor
        How many times what is delivered a volume to infuse is at most.
    """
    inf = world.infusions
    rows = np.flatnonzero(limited_on_volume(world))
    second = rate_after(inf, inf.changes) * inf.second_s / 3600
    most = np.maximum(volume_at(inf, inf.run_s), second)[rows] * most_factor
    share = np.minimum(1.0, VOLUME_MOST * 0.98 / np.maximum(most, 1.0))
    slow = share < 1.0
    rows, share = rows[slow], share[slow]

    def slowed(rate: Ints) -> Ints:
        found: Ints = np.maximum(10, np.floor(rate * share / 10).astype(np.int64) * 10)
        return found

    inf.rate[rows] = slowed(inf.rate[rows])
    before = inf.rate[rows]
    for i in range(MOST_CHANGES):
        after = slowed(inf.change_rate[rows, i])
        inf.change_rate[rows, i] = np.where(after == before, np.where(before > 10, before - 10, 20), after)
        before = inf.change_rate[rows, i]


@dataclass
class Limits:
    """What limits each infusion, on the quantity that its entry is limited on.

    `values` shape (n, 4): hard low, soft low, soft high, hard high; nan: none. `per_ml_h`: what 1 mL/h comes
    to in that quantity; 0 where nothing can be said. `apply`: whether the pump can compare at all.
    """

    values: Reals
    per_ml_h: Reals
    apply: Flags

    def amount(self, rows: Ints, rate: Ints) -> Reals:
        """Return what a rate (0.01 mL/h) of some infusions comes to, as the pump logs it."""
        found: Reals = np.round(rate / 100 * self.per_ml_h[rows], 6)
        return found

    def rate(self, rows: Ints, column: int) -> Reals:
        """Return the rate (0.01 mL/h) at which a limit is reached; nan where there is none."""
        found: Reals = self.values[rows, column] / self.per_ml_h[rows] * 100
        return found

    def inside(self, rate: int) -> Flags:
        """Return for every infusion whether a rate (0.01 mL/h) would draw no warning."""
        rows = np.flatnonzero(self.apply)
        found = np.ones(len(self.apply), np.bool_)
        amount = self.amount(rows, np.full(len(rows), rate))
        low, high = self.values[rows, SOFT_LOW], self.values[rows, SOFT_HIGH]
        found[rows] = ~(amount < low) & ~(amount > high)
        return found


def _table(s: Scenario) -> Reals:
    """Return limits by library version, care area, entry and strength."""
    table = np.full((len(s.library), len(s.care_area), len(s.entry), 2, 4), np.nan)
    names = {entry.name: i for i, entry in enumerate(s.entry)}
    for v in range(len(s.library)):
        for a, area in enumerate(s.care_area):
            for name in area.entries:
                entry = s.entry[names[name]]
                for k, strength in enumerate(entry.concentrations or (None,)):
                    _, texts = limits_of(s, entry, strength, area.weight_kg[0], v)
                    table[v, a, names[name], k] = [float(x) if x else np.nan for x in texts]
    return table


def infusion_limits(world: World) -> Limits:
    """Return what limits each infusion of the world, with the weight that was entered."""
    s, inf, sessions = world.scenario, world.infusions, world.sessions
    area, entry = sessions.area[inf.session], inf.entry
    strength = np.clip(inf.concentration, 0, 1)
    values = _table(s)[sessions.library[inf.session], area, entry, strength]
    strengths = np.array([[*e.concentrations, 0.0, 0.0][:2] for e in s.entry] + [[0.0, 0.0]])
    factors = np.array([dose_factor(e.concentration_unit, e.dosing_unit) for e in s.entry] + [0.0])
    dosed = np.array([e.dosing_unit is not None for e in s.entry] + [False])[entry]
    by_weight = np.array([bool(e.dosing_unit and "/kg/" in e.dosing_unit) for e in s.entry] + [False])[entry]
    weight = sessions.weight_g[inf.session] / 1000
    dose = strengths[entry, strength] * factors[entry]
    dose = np.where(by_weight, dose / np.where(weight > 0, weight, 1), dose)
    per = np.where(dosed, dose, 1.0)
    apply = (inf.use == LIMITED) & (area >= 0) & ~np.isnan(values[:, SOFT_HIGH]) & (per > 0)
    apply &= ~by_weight | (weight > 0)
    return Limits(values, per, apply)
