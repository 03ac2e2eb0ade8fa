"""Every attempt and every alarm that the logs can show, one row each: what the ledger's tables must hold."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

import numpy as np

from dripledger.hospital.attempts import OUTCOMES, OVERRIDDEN, OVERRIDE_ALONE
from dripledger.hospital.fleet import FAMILIES
from dripledger.hospital.happenings import ALARM_KINDS, PRIORITIES, STOPPING, Happenings
from dripledger.hospital.warned import QUANTITIES, SIDES, attempt_amount, attempt_limit
from dripledger.hospital.world import World

ATTEMPT_COLUMNS = (
    "pump", "channel", "care_area", "entry", "first_alert_at", "last_alert_at", "alerts", "met_soft",
    "met_hard", "outcome", "limit_side", "limit_quantity", "limit_value", "entered_first", "entered_final",
    "limit_multiple",
)  # fmt: skip
ALARM_COLUMNS = (
    "pump", "channel", "kind", "priority", "raised_at", "silenced_at", "cleared_at", "raw_count", "stopped",
)  # fmt: skip


def _utc(at: int) -> str:
    return "" if at < 0 else datetime.fromtimestamp(int(at), UTC).isoformat()


def attempt_rows(world: World, happenings: Happenings) -> Iterable[Sequence[object]]:
    """Give the attempts that the logs can show, in order of time."""
    a, inf, s = happenings.attempts, world.infusions, world.sessions
    pump = s.pump[inf.session[a.infusion]]
    seen = (pump != world.fleet.silent) & (world.fleet.family[pump] != FAMILIES.index("C"))
    alone = a.form == OVERRIDE_ALONE
    overridden, weighed = a.outcome == OVERRIDDEN, a.weight_limit_g > 0
    first = attempt_amount(world, happenings, a.entered[:, 0])
    final = attempt_amount(world, happenings, np.maximum(a.final, 0))
    # the limit is the soft one that an override lies outside of, else that of the first alert
    limit = attempt_limit(happenings, a.hard & ~overridden)
    value = np.where(overridden, final, first)
    times = np.where(a.low, limit / value, value / limit)
    entries = world.scenario.entry
    for i in np.flatnonzero(seen):
        row = int(a.infusion[i])
        entry = entries[int(inf.entry[a.limits_of[i]])]
        # an override about a weight names no entry, and ends with the programme that does
        quantity = 2 if weighed[i] else int(entry.dosing_unit is not None)
        yield (
            world.fleet.names[int(pump[i])], int(inf.channel[row]),
            world.scenario.care_area[int(s.area[inf.session[row]])].name, entry.name,
            _utc(a.decided_at[i] if alone[i] else a.first_at[i]),
            _utc(a.decided_at[i] if alone[i] else a.last_at[i]), int(a.alerts[i]), bool(a.met_soft[i]),
            bool(a.hard[i]), OUTCOMES[int(a.outcome[i])], SIDES[0 if a.low[i] else 1], QUANTITIES[quantity],
            float(limit[i]), float(first[i]), float(final[i]) if a.confirmed[i] else "", float(times[i]),
        )  # fmt: skip


def alarm_rows(world: World, happenings: Happenings) -> Iterable[Sequence[object]]:
    """Give the alarms that the logs can show, in order of time."""
    a, inf, s = happenings.alarms, world.infusions, world.sessions
    pump = s.pump[inf.session[a.infusion]]
    over, priority, count = a.over, a.priority, a.raw_count
    for i in np.flatnonzero(pump != world.fleet.silent):
        yield (
            world.fleet.names[int(pump[i])], int(a.channel[i]) or "", ALARM_KINDS[int(a.kind[i])],
            PRIORITIES[int(priority[i])], _utc(a.raised[i]), _utc(a.silenced[i]), _utc(over[i]),
            int(count[i]), int(a.kind[i]) in STOPPING,
        )  # fmt: skip
