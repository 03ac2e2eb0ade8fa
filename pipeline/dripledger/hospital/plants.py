"""Planted incidents and faults: chosen among what happened, then bent, lost or made unreadable."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np

from dripledger.errors import UsageError
from dripledger.hospital import records as r
from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.fleet import FAMILIES
from dripledger.hospital.happenings import Happenings
from dripledger.hospital.limits import VOLUME_MOST, Limits, limited_on_volume
from dripledger.hospital.world import LIMITED, REFILLED, STOPPED, SWITCHED_OFF, World

DAY_S = 86400


class Spoil(IntEnum):
    """How a record was made unreadable."""

    NONE = 0
    IMPOSSIBLE_TIME = 1
    NO_NUMBER = 2
    NO_PUMP = 3
    YEAR_OUT_OF_RANGE = 4
    TIME_AND_NUMBER = 5
    UNKNOWN_UNIT = 6
    GARBLED = 7  # family B: no valid JSON
    CUT = 8  # family B: the file ends in the middle of it


#: The pump's number cannot be read from these, so they count as not seen.
UNSEEN = (Spoil.NO_PUMP, Spoil.GARBLED, Spoil.CUT)

#: What each unreadable kind is expected to be told as, in plain words.
SPOIL_WORDS = {
    Spoil.IMPOSSIBLE_TIME: "the time is no date",
    Spoil.NO_NUMBER: "the rate is no number",
    Spoil.NO_PUMP: "no pump is named",
    Spoil.YEAR_OUT_OF_RANGE: "the year is 1899",
    Spoil.TIME_AND_NUMBER: "the time is no date and the rate is no number",
    Spoil.UNKNOWN_UNIT: "the dose has an unknown unit",
    Spoil.GARBLED: "the line is no JSON",
    Spoil.CUT: "the file ends in the middle of the line",
}


@dataclass(frozen=True)
class Plant:
    """One planted thing, for truth/planted.csv."""

    item: str
    pump: int
    channel: int
    start: int
    end: int
    what: str
    expected: str
    session: int = -1


@dataclass
class Plan:
    """What is planted, by session, infusion and record."""

    plants: list[Plant] = field(default_factory=list)
    touched: set[int] = field(default_factory=set)  # sessions whose log does not tell all
    workshop: tuple[int, int] = (0, 0)
    overlap: tuple[int, int] = (0, 0)
    maintenance: Flags = field(default_factory=lambda: np.zeros(0, np.bool_))  # by session
    unlogged: list[tuple[int, int]] = field(default_factory=list)  # (infusion or -1-session, kind)
    extra: list[tuple[int, int, int]] = field(default_factory=list)  # (infusion, seconds, kind)


class Chooser:
    """Picks sessions for planting, never two next to each other on a pump."""

    def __init__(self, world: World, plan: Plan, happenings: Happenings, rng: np.random.Generator) -> None:
        self._world, self._rng = world, rng
        s, calendar = world.sessions, world.calendar
        start_month, end_month = calendar.month_index(s.start), calendar.month_index(s.end)
        after = np.append(s.pump[1:] == s.pump[:-1], False) & (
            np.append(s.start[1:], 0) < world.log_end - DAY_S
        )
        before = np.insert(s.pump[1:] == s.pump[:-1], 0, False)
        free = after & before & (start_month == end_month) & (s.area >= 0)
        free &= (s.pump != world.fleet.silent) & ~plan.maintenance & ~happenings.eventful
        free &= world.fleet.family[s.pump] != FAMILIES.index("C")
        for session in np.flatnonzero(happenings.apart):
            free[max(0, session - 2) : session + 3] = False
        free &= (s.end < world.log_end - 2 * DAY_S) & (s.start > world.log_start + DAY_S)
        for turn in calendar.autumn_changes():
            free &= (s.end < turn - 2 * 3600) | (s.start > turn + 2 * 3600)
        free &= (s.end < plan.overlap[0] - DAY_S) | (s.start > plan.overlap[1] + DAY_S)
        for pinned in world.pinned.values():
            free[max(0, pinned - 2) : pinned + 3] = False
        self.free: Flags = free

    def pick(self, sessions: Ints, count: int) -> Ints:
        """Return up to `count` of these rows' places, each in a free session, which is taken then."""
        chosen: list[int] = []
        for place in self._rng.permutation(len(sessions)):
            if len(chosen) == count:
                break
            session = int(sessions[place])
            if self.free[session]:
                chosen.append(int(place))
                self.free[max(0, session - 2) : session + 3] = False
        return np.array(sorted(chosen), np.int64)


def plan_places(world: World) -> Plan:
    """Fix what everything else keeps away from: the workshop stay and the overlapping export."""
    plan = Plan()
    s, starts, full = world.sessions, world.calendar.month_starts, world.scenario.window.months
    turn = int(starts[max(1, full // 2)])
    plan.overlap = (turn - 6 * DAY_S, turn + 3 * DAY_S)
    begin = int(starts[full - 2]) + 5 * DAY_S
    end = begin + world.scenario.planted.workshop_days * DAY_S
    stay = (s.pump == world.fleet.workshop) & (s.start >= begin) & (s.end < end)
    if not stay.any():
        raise UsageError(
            "the pump of the workshop was not used in these days",
            where="scenario, planted.workshop_days",
            do="Take more days or another seed",
        )
    area = next(i for i, a in enumerate(world.scenario.care_area) if a.context == "maintenance")
    rows = np.flatnonzero(stay)
    s.area[rows[::2]] = area  # every other session selects the workshop's own care area
    plan.maintenance = stay
    plan.workshop = (int(s.start[rows[0]]) - 60, int(s.end[rows[-1]]) + 60)
    plan.plants.append(Plant(
        "workshop_pump", world.fleet.workshop, 0, *plan.workshop, f"{len(rows)} sessions in the workshop",
        "in no measure: service.csv says maintenance", int(rows[0]),
    ))  # fmt: skip
    # A pump that no list sends to the workshop, tested under the care area of the workshop.
    other = np.flatnonzero((s.pump == world.fleet.fast) & (s.start > begin) & (s.end < end))
    if len(other) > 1:
        s.area[other[1]] = area
        plan.maintenance[other[1]] = True
        plan.plants.append(Plant(
            "workshop_area", world.fleet.fast, 0, int(s.start[other[1]]), int(s.end[other[1]]),
            "one session under the care area of the workshop",
            "in no measure: the care area is for maintenance", int(other[1]),
        ))  # fmt: skip
    return plan


def _in_family(world: World, letter: str) -> Flags:
    inf, s = world.infusions, world.sessions
    found: Flags = world.fleet.family[s.pump[inf.session]] == FAMILIES.index(letter)
    return found


def plant_in_world(world: World, plan: Plan, choose: Chooser, limits: Limits) -> None:
    """Bend what happens: labels, a weight, silent ends, patient changes, unknown kinds, forgotten stops."""
    s, inf, want = world.sessions, world.infusions, world.scenario.planted
    of_a = _in_family(world, "A")
    plain = (inf.pause_at < 0) & (inf.run_s >= 900) & ~inf.handed
    other_next = np.append(
        (inf.session[1:] == inf.session[:-1]) & (inf.channel[1:] == inf.channel[:-1]) & ~inf.handed[1:]
        & ((inf.entry[1:] != inf.entry[:-1]) | (inf.concentration[1:] != inf.concentration[:-1])),
        False,
    )  # fmt: skip

    def each(mask: Flags, count: int, item: str, what: str, expected: str) -> list[int]:
        rows = np.flatnonzero(mask)
        found = [int(i) for i in rows[choose.pick(inf.session[rows], count)]]
        for i in found:
            session = int(inf.session[i])
            plan.touched.add(session)
            plan.plants.append(Plant(
                item, int(s.pump[session]), int(inf.channel[i]), int(inf.start[i]),
                int(inf.start[i] + inf.length[i]), what, expected, session,
            ))  # fmt: skip
        return found

    # 36 mL/h is 0.01 mL a second, so that volume / rate is a whole number of seconds
    quiet = limits.inside(3600) & ~(limited_on_volume(world) & (inf.run_s > VOLUME_MOST))
    ends_alone = of_a & plain & other_next & (inf.changes == 0) & (inf.ending == STOPPED)
    for i in each(
        ends_alone & quiet, want.unlogged_completions,
        "completion_never_logged", "ends with its volume, and the log says nothing until the next start",
        "hours end at volume / rate, the rest is unknown",
    ):  # fmt: skip
        inf.rate[i] = 3600
        inf.to_infuse[i] = inf.run_s[i]
        plan.unlogged.append((i, r.STOP))
    for i in each(
        of_a & plain & inf.last & (inf.changes > 0) & (inf.ending == STOPPED) & (inf.change_at[:, 0] >= 60),
        want.forgotten_stops, "forgotten_stop", "no stop and no switch-off were logged",
        "hours run to the last event that proves running",
    ):  # fmt: skip
        plan.unlogged.append((i, r.STOP))
        plan.unlogged.append((-1 - int(inf.session[i]), r.OFF))
    for i in each(
        of_a & plain & (inf.run_s > 3600) & (inf.changes == 0) & (inf.ending == STOPPED),
        want.patient_changes_running, "patient_change_running", "another patient is confirmed while it runs",
        "a new infusion begins there that is no start",
    ):  # fmt: skip
        plan.extra.append((i, int(inf.run_s[i]) // 2, r.PATIENT))
    for i in each(
        plain & (inf.run_s > 1800), want.unknown_kinds, "unknown_kind", "a label that no mapping knows",
        "kept as 'other'; the infusion is uncertain",
    ):  # fmt: skip
        plan.extra.append((i, int(inf.run_s[i]) // 3, r.OTHER))
    for i in each(
        of_a & plain & (inf.use == LIMITED), want.unknown_entries, "unknown_entry",
        "an entry label that nobody has filed", "starts and hours count, protection cannot be shown",
    ):  # fmt: skip
        inf.entry_known[i] = False
    for i in each(
        of_a & (inf.place == 0) & inf.last, want.unknown_areas, "unknown_care_area",
        "a care area label that nobody has filed", "stands under 'unmapped'",
    ):  # fmt: skip
        s.area_known[inf.session[i]] = False
    for i in each(
        of_a & (inf.place == 0) & (s.weight_g[inf.session] >= 0), 1, "implausible_weight",
        f"a weight of {want.implausible_weight_kg} kg is entered", "kept and flagged, never quarantined",
    ):  # fmt: skip
        s.weight_g[inf.session[i]] = want.implausible_weight_kg * 1000


@dataclass
class Damage:
    """What became of each written record on its way into a file."""

    lost: Flags
    spoil: Ints
    breaks: Flags  # family B: a new line begins here
    cut_at: int = -1  # the record that opens the line in whose middle a file ends


def damage_records(world: World, plan: Plan, log: r.Records, choose: Chooser) -> Damage:
    """Lose, spoil and cut records of the written log."""
    n = log.size
    out = Damage(np.zeros(n, np.bool_), np.zeros(n, np.int64), np.zeros(n, np.bool_))
    inf, want = world.infusions, world.scenario.planted
    of = log.infusion
    of_b = world.fleet.family[log.pump] == FAMILIES.index("B")
    whole = np.where(of >= 0, of, 0)
    plain = (of >= 0) & (inf.pause_at[whole] < 0) & (inf.run_s[whole] >= 900) & ~inf.handed[whole]
    next_kind = np.append(log.kind[1:], -1)
    next_same = np.append((log.infusion[1:] == log.infusion[:-1]), False)
    session_chains = np.zeros(len(world.sessions.pump), np.int64)
    np.maximum.at(session_chains, inf.session, inf.channel)
    single = session_chains[log.session] == 1
    bridged_next = next_same & np.isin(next_kind, (r.RATE, r.PAUSE, r.COMPLETE, r.STOP))

    def each(
        mask: Flags, count: int, item: str, span: Callable[[int], tuple[int, int]], expected: str
    ) -> list[int]:
        rows = np.flatnonzero(mask)
        found = [int(i) for i in rows[choose.pick(log.session[rows], count)]]
        for i in found:
            first, last = span(i)
            plan.touched.add(int(log.session[i]))
            numbers = f"{log.sequence[first]}" + (f" to {log.sequence[last]}" if last > first else "")
            plan.plants.append(Plant(
                item, int(log.pump[i]), int(log.channel[i]), int(log.at[first]), int(log.at[last]),
                f"sequence {numbers}", expected, int(log.session[i]),
            ))  # fmt: skip
        return found

    def one(i: int) -> tuple[int, int]:
        return i, i

    # Rows of a stretch that hides a stop: from the second rate change to the stop; the next record starts
    # another programme.
    def to_stop(i: int) -> tuple[int, int]:
        last = i
        while log.kind[last] != r.STOP:
            last += 1
        return i, last

    other_next = np.append(
        (inf.session[1:] == inf.session[:-1]) & (inf.channel[1:] == inf.channel[:-1]) & ~inf.handed[1:]
        & ((inf.entry[1:] != inf.entry[:-1]) | (inf.concentration[1:] != inf.concentration[:-1])),
        False,
    )  # fmt: skip
    second_change = (log.kind == r.RATE) & (log.rank == 31)
    hides_stop = second_change & plain & other_next[whole] & (inf.ending[whole] == STOPPED) & single
    hides_stop &= (inf.change_at[whole, 0] >= 60) & (~of_b | (inf.run_s[whole] < 7200))
    cut = each(hides_stop & of_b, 1, "truncated_file", to_stop,
               "the cut line is quarantined; hours end at the last event before it")  # fmt: skip
    for i in cut:
        first, last = to_stop(i)
        out.spoil[first : last + 1] = Spoil.CUT
        out.breaks[[first, last + 1]] = True
        out.cut_at = first
    for i in each(hides_stop & ~of_b, want.unbridged_gaps, "missing_stretch_unbridged", to_stop,
                  "hours end at the last event before the gap, then unknown"):  # fmt: skip
        first, last = to_stop(i)
        out.lost[first : last + 1] = True

    def pair(i: int) -> tuple[int, int]:
        return i, i + 1

    two_lost = (log.kind == r.RATE) & (log.rank == 30) & plain & (inf.changes[whole] == 3) & ~of_b
    for i in each(two_lost, want.bridged_gaps, "missing_stretch_bridged", pair,
                  "the next record proves that it ran on: hours unchanged"):  # fmt: skip
        out.lost[i : i + 2] = True
    alone = np.bincount(inf.session, minlength=len(world.sessions.pump))[log.session] == 1
    only = (log.kind == r.START) & plain & alone & (inf.changes[whole] > 0) & (inf.use[whole] == LIMITED)
    only &= (inf.ending[whole] != REFILLED) & ~of_b
    for i in each(only, 1, "unreadable_start", one, "no start; hours have no known library use"):
        out.spoil[i] = Spoil.IMPOSSIBLE_TIME
    last_stop = (log.kind == r.STOP) & plain & (next_kind == r.OFF) & (inf.ending[whole] == STOPPED) & ~of_b
    last_stop &= (inf.changes[whole] > 0) & (inf.change_at[whole, 0] >= 60)
    for i in each(
        last_stop, 1, "unreadable_stop", one, "hours end at the last event before it, then unknown"
    ):
        out.spoil[i] = Spoil.YEAR_OUT_OF_RANGE
    change = (log.kind == r.RATE) & plain & bridged_next & (inf.ending[whole] != SWITCHED_OFF)
    dosed = np.array([e.dosing_unit is not None for e in world.scenario.entry] + [False])[inf.entry[whole]]
    for spoil in list(Spoil)[1:]:
        if spoil is Spoil.CUT:
            continue
        families = []
        if spoil is not Spoil.GARBLED:
            families.append(~of_b & (dosed | (spoil is not Spoil.UNKNOWN_UNIT)))
        if spoil in (Spoil.IMPOSSIBLE_TIME, Spoil.NO_PUMP, Spoil.GARBLED):
            families.append(of_b & single)
        for family in families:
            told = f"quarantined: {SPOIL_WORDS[spoil]}"
            for i in each(
                change & family, want.unreadable_each, f"unreadable_{spoil.name.lower()}", one, told
            ):
                out.spoil[i] = spoil
                out.breaks[[i, i + 1]] = True
    return out
