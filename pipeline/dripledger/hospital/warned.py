"""What records of limit alerts and alarms say, for the dialects to spell: one column a fact, set-wise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from dripledger.hospital import records as r
from dripledger.hospital.attempts import MOST_ALERTS, ONE_ROW, OVERRIDDEN, OVERRIDE_ALONE
from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.happenings import FIRST_PRIORITY, Happenings
from dripledger.hospital.limits import HARD_HIGH, SOFT_HIGH, SOFT_LOW
from dripledger.hospital.world import Reals, World
from dripledger.hospital.writing import labels

GRADES, SIDES, QUANTITIES, ANSWERS = (
    ("soft", "hard"), ("low", "high"), ("flow_rate", "dose_rate", "weight"), ("overridden", "within_limits")
)  # fmt: skip


@dataclass
class Warned:
    """One entry a record; indices are -1 where the record does not say it.

    `grade`, `side`, `quantity`, `answer` index the tuples above; `limit` as text; `tried` in `unit`.
    """

    grade: Ints
    side: Ints
    quantity: Ints
    answer: Ints
    entry: Ints
    limit: pa.Array
    tried: pa.Array
    unit: pa.Array
    number: pa.Array  # of the alert; a key row names the alert that it answers
    alarm: Ints
    priority: Ints
    alarm_number: pa.Array


def attempt_limit(happenings: Happenings, hard: Flags) -> Reals:
    """Return the limit that each attempt met: the hard one where asked, else the soft one on its side."""
    a, values = happenings.attempts, happenings.limits.values
    column = np.where(hard, HARD_HIGH, np.where(a.low, SOFT_LOW, SOFT_HIGH))
    found: Reals = np.where(a.weight_limit_g > 0, a.weight_limit_g / 1000, values[a.limits_of, column])
    return found


def attempt_amount(world: World, happenings: Happenings, rate: Ints) -> Reals:
    """Return what a rate of each attempt comes to; of one about a weight, the weight that was typed (kg)."""
    a = happenings.attempts
    weight = world.sessions.weight_g[world.infusions.session[a.infusion]] / 1000
    found: Reals = np.where(a.weight_limit_g > 0, weight, happenings.limits.amount(a.limits_of, rate))
    return found


def tell_warnings(world: World, happenings: Happenings, some: r.Records) -> Warned:
    """Return what some records say about limits and alarms."""
    a, alarms, inf = happenings.attempts, happenings.alarms, world.infusions
    n = some.size
    decided = np.isin(some.kind, (r.OVERRIDE, r.WITHIN, r.CANCEL))
    of_attempt = decided | (some.kind == r.ALERT)
    about = np.where(of_attempt, some.about, 0)
    if a.size == 0:
        raise ValueError("no attempt was drawn at all")
    alone = of_attempt & (a.form[about] == OVERRIDE_ALONE) & decided
    full = (some.kind == r.ALERT) | alone
    hard = full & a.hard[about] & (some.part == 0)
    dosed = np.array([e.dosing_unit is not None for e in world.scenario.entry] + [False])
    entry = inf.entry[a.limits_of[about]]
    limit = np.where(hard, attempt_limit(happenings, np.ones(a.size, np.bool_))[about],
                     attempt_limit(happenings, np.zeros(a.size, np.bool_))[about])  # fmt: skip
    words, which = np.unique(np.where(full, limit, -1.0), return_inverse=True)
    tried = np.zeros(n)
    for k in range(MOST_ALERTS):
        tried = np.where(some.part == k, attempt_amount(world, happenings, a.entered[:, k])[about], tried)
    of_weight = a.weight_limit_g[about] > 0
    answers = full & (a.form[about] == ONE_ROW) & (some.part == a.alerts[about] - 1)
    units = [*(e.dosing_unit or "mL/h" for e in world.scenario.entry), "kg"]
    number = about * 4 + some.part
    of_alarm = np.isin(some.kind, r.OF_ALARMS)
    which_alarm = np.where(of_alarm, some.about, 0)
    kind = alarms.kind[which_alarm] if alarms.size else np.zeros(n, np.int64)
    sounds = np.isin(some.kind, (r.ALARM, r.ALARM_UPDATE))
    priority = np.array(FIRST_PRIORITY)[kind] + (some.kind == r.ALARM_UPDATE)
    return Warned(
        grade=np.where(full, hard.astype(np.int64), -1),
        side=np.where(full, np.where(a.low[about], 0, 1), -1),
        quantity=np.where(full, np.where(of_weight, 2, dosed[entry]), -1).astype(np.int64),
        answer=np.where(answers, np.where(a.outcome[about] == OVERRIDDEN, 0, 1), -1),
        entry=np.where(full & ~of_weight, entry, -1),
        limit=labels([f"{w:g}" for w in words], np.where(full, which, -1)),
        tried=pa.array(tried, pa.float64(), mask=~full),
        unit=labels(units, np.where(full, np.where(of_weight, len(units) - 1, entry), -1)),
        number=pa.array(number, pa.int64(), mask=~of_attempt),
        alarm=np.where(of_alarm, kind, -1),
        priority=np.where(sounds, priority, -1),
        alarm_number=pa.array(which_alarm, pa.int64(), mask=~of_alarm),
    )
