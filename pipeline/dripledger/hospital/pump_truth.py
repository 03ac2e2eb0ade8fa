"""The truth of whole pumps, by month: powered-on time, their own alarms, minutes in which any alarm stood."""

from __future__ import annotations

import numpy as np

from dripledger.hospital import records as r
from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.fleet import FAMILIES
from dripledger.hospital.happenings import ALARM_KINDS, OF_PUMP, PRIORITIES, Happenings
from dripledger.hospital.plants import Plan
from dripledger.hospital.warning_truth import Counts
from dripledger.hospital.world import World

#: Kinds that count as pump alarms (ruling 43), whether or not one occurs.
PUMP_KINDS = ("low_battery", "battery_empty", "power", "fault")


def pump_figures(
    world: World, plan: Plan, log: r.Records, happenings: Happenings, rows: Ints, at: Ints, sessions: Flags
) -> dict[str, tuple[Ints, Ints]]:
    """Give what is told of whole pumps, by month: alarms of the pump, and minutes in which any alarm stood.

    Device messages tell neither power nor an alarm's share of it; only families A and B count.
    """
    s, inf, alarms = world.sessions, world.infusions, happenings.alarms
    counts = Counts(world, 1)
    able = np.flatnonzero(world.fleet.family[log.pump[rows]] != FAMILIES.index("C"))
    begin, end, session = _power(log, rows[able], at[able])
    # a session of the workshop is told by service.csv from its first moment, by its care area from then on
    chosen = np.full(len(s.pump), -1, np.int64)
    picks = log.kind[rows] == r.AREA
    chosen[log.session[rows[picks]]] = at[picks]
    by_area = plan.maintenance[session] & (s.pump[session] != world.fleet.workshop)
    end = np.where(by_area, np.maximum(chosen[session], begin), end)
    keep = ~plan.maintenance[session] | by_area
    on = _flat(counts.stretches(begin[keep], end[keep], np.zeros(int(keep.sum()), np.int64)))
    mine = sessions[inf.session[alarms.infusion]]
    mine &= world.fleet.family[s.pump[inf.session[alarms.infusion]]] != FAMILIES.index("C")
    out = {}

    def count(mask: Flags) -> Ints:
        return _flat(counts.table(alarms.raised[mask & mine], np.zeros(int((mask & mine).sum()), np.int64)))

    of_pump = np.isin(alarms.kind, OF_PUMP)
    out["pump_alarm_rate"] = (count(of_pump), on)
    for kind in PUMP_KINDS:
        which = ALARM_KINDS.index(kind) if kind in ALARM_KINDS else -1
        out[f"pump_alarm_rate_{kind}"] = (count(alarms.kind == which), on)
    for place, word in enumerate(PRIORITIES):
        out[f"pump_alarm_rate_priority_{word}"] = (count(of_pump & (alarms.priority == place)), on)
    out["pump_alarm_rate_priority_not_stated"] = (count(np.zeros(alarms.size, np.bool_)), on)
    ends = np.where(of_pump, s.end[inf.session[alarms.infusion]], (inf.start + inf.length)[alarms.infusion])
    ends = np.where(alarms.over >= 0, alarms.over, ends)
    pieces = _union(s.pump[inf.session[alarms.infusion[mine]]], alarms.raised[mine], ends[mine])
    out["alarm_minutes"] = (_flat(counts.stretches(*pieces, np.zeros(len(pieces[0]), np.int64))), on)
    return out


def _flat(table: Ints) -> Ints:
    flat: Ints = table[:, 0]
    return flat


def _union(pump: Ints, begin: Ints, end: Ints) -> tuple[Ints, Ints]:
    """Return the union of stretches of each pump."""
    order = np.lexsort((end, begin, pump))
    pieces: list[list[int]] = []
    of = -1
    for i in order:
        if int(pump[i]) == of and begin[i] <= pieces[-1][1]:
            pieces[-1][1] = max(pieces[-1][1], int(end[i]))
        else:
            pieces.append([int(begin[i]), int(end[i])])
        of = int(pump[i])
    whole = np.array(pieces, np.int64).reshape(-1, 2)
    return whole[:, 0], whole[:, 1]


def _power(log: r.Records, rows: Ints, at: Ints) -> tuple[Ints, Ints, Ints]:
    """Return the stretches (begin, end, session) in which pumps were on, as some records of the log tell it.

    Parameters
    ----------
    log
        What was written.
    rows, at
        Records (in order of each pump's sequence) and the instants that they are read at.
    """
    kind, pump = log.kind[rows], log.pump[rows]
    after_off = np.append(True, kind[:-1] == r.OFF)
    begins = (kind == r.ON) | after_off | (np.diff(pump, prepend=-1) != 0)
    first = np.flatnonzero(begins)
    last = np.append(first[1:], len(rows)) - 1
    return at[first], at[last], log.session[rows[first]]
