"""The truth of what warns, by month and care area: limit alerts, alarms, rate changes, old libraries."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from dripledger.hospital.attempts import (
    LEFT,
    OUTCOMES,
    OVERRIDDEN,
    ROWS,
    UNCHANGED,
    UNKNOWN,
)
from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.happenings import ALARM_KINDS, OF_PUMP, PRIORITIES, Happenings
from dripledger.hospital.recover import Found, Programmed
from dripledger.hospital.warned import attempt_amount, attempt_limit
from dripledger.hospital.world import BY_ALARM, BYPASSED, MOST_CHANGES, Reals, World, wall

_US, _DAY_S = 1_000_000, 86400
PHASES = ("start", "change", "bolus")
#: Kinds that count as delivery alarms (ruling 43), whether or not one occurs.
DELIVERY_KINDS = (
    "occlusion", "air_in_line", "door_open", "set_or_syringe", "free_flow", "near_end", "end_of_infusion",
    "empty", "no_action",
)  # fmt: skip
FAR = (("", 2), ("_5x", 5), ("_10x", 10))
UNDER_S = 3
STALE_AFTER_S = 7 * _DAY_S


@dataclass
class Part:
    """Which sessions a truth takes from what happened, and what was rebuilt of the rest.

    `keep` are sessions taken as they were; `warned` and `alarmed` those whose limit alerts and alarms count;
    `area` is the care area of each infusion as this truth knows it.
    """

    keep: Flags
    warned: Flags
    alarmed: Flags
    area: Ints
    found: Sequence[Found] = ()
    programmed: Sequence[Programmed] = ()


class Counts:
    """Numerators and denominators by measure, month and care area (the last two: unmapped, none selected).

    Counts are counts; times are microseconds.
    """

    def __init__(self, world: World, areas: int) -> None:
        self._calendar = world.calendar
        self._shape = (len(world.calendar.months), areas)
        self.of: dict[str, tuple[Ints, Ints]] = {}

    def table(self, at: Ints, area: Ints, weight: Ints | None = None) -> Ints:
        """Count instants (seconds) by month and care area."""
        month = self._calendar.month_index(at)
        some = (month >= 0) & (month < self._shape[0])
        out = np.zeros(self._shape, np.int64)
        ones = np.ones(len(at), np.int64) if weight is None else weight
        np.add.at(out, (month[some], area[some]), ones[some])
        return out

    def stretches(self, begin: Ints, end: Ints, area: Ints) -> Ints:
        """Add up stretches (instants in seconds) by month and care area, in microseconds."""
        edges = self._calendar.month_starts
        out = np.zeros(self._shape, np.int64)
        for month in range(self._shape[0]):
            inside = np.minimum(end, edges[month + 1]) - np.maximum(begin, edges[month])
            some = inside > 0
            np.add.at(out[month], area[some], inside[some] * _US)
        return out

    def put(self, measure: str, numerator: Ints, denominator: Ints) -> None:
        """Set a measure."""
        self.of[measure] = (numerator, denominator)


@dataclass
class WarningTruth:
    """Rows of the long form: measure, month, care_area, numerator, denominator, then both as microseconds."""

    counts: Counts
    names: list[str]
    facility: dict[str, tuple[Ints, Ints]] = field(default_factory=dict)

    def rows(self, months: Sequence[str]) -> Iterable[list[str | int | float]]:
        """Give every row; a figure that is a time stands in hours (or minutes) and in microseconds."""
        for measure, (top, bottom) in self.counts.of.items():
            for m, month in enumerate(months):
                for a, area in enumerate(self.names):
                    yield [measure, month, area, *_told(measure, int(top[m, a]), int(bottom[m, a]))]
        for measure, (top, bottom) in self.facility.items():
            for m, month in enumerate(months):
                yield [measure, month, "", *_told(measure, int(top[m]), int(bottom[m]))]


def times_of(measure: str) -> tuple[float | None, float | None]:
    """Return how many microseconds one unit of a measure's numerator and denominator has; None: a count."""
    hour, minute = 3.6e9, 6e7
    if measure in ("delivery_lost", "alarm_minutes"):
        return minute, hour
    if measure.startswith(("delivery_alarm_rate", "pump_alarm_rate", "user_rate_changes")):
        return None, hour
    return None, None


def _told(measure: str, top: int, bottom: int) -> list[str | int | float]:
    unit_top, unit_bottom = times_of(measure)
    return [
        top if unit_top is None else top / unit_top,
        bottom if unit_bottom is None else bottom / unit_bottom,
        "" if unit_top is None else top,
        "" if unit_bottom is None else bottom,
    ]


def limit_multiple(world: World, happenings: Happenings) -> Reals:
    """Return how many times the soft limit each overridden attempt's final value is; nan for the others."""
    a = happenings.attempts
    final = attempt_amount(world, happenings, np.where(a.final > 0, a.final, 1))
    limit = attempt_limit(happenings, np.zeros(a.size, np.bool_))
    times = np.where(a.low, limit / final, final / limit)
    found: Reals = np.where(a.outcome == OVERRIDDEN, times, np.nan)
    return found


def tell_warnings(
    world: World, happenings: Happenings, part: Part, names: list[str], running_all: Ints, running_able: Ints,
    starts_inside: Ints,
) -> WarningTruth:  # fmt: skip
    """Work out one truth.

    Parameters
    ----------
    world, happenings
        What happened.
    part
        What of it this truth sees.
    names
        Care areas, then unmapped and none selected.
    running_all, running_able
        Running microseconds by month and care area: of all pumps; of those that can tell limits and changes.
    starts_inside
        Starts under an entry on pumps that can tell limit alerts.
    """
    counts = Counts(world, len(names))
    _attempts(world, happenings, part, counts)
    _programmings(world, happenings, part, counts, starts_inside)
    _alarms(world, happenings, part, counts, running_all)
    changes = _rate_changes(world, part)
    counts.put("user_rate_changes", counts.table(*changes), running_able)
    stopped = _stopped(world, part)
    counts.put("delivery_lost", counts.stretches(*stopped), running_all)
    counts.put("stale_library_share", *_stale(world, part, counts))
    return WarningTruth(counts, names)


def _attempts(world: World, happenings: Happenings, part: Part, counts: Counts) -> None:
    a = happenings.attempts
    seen = part.warned[world.infusions.session[a.infusion]]
    area, at = part.area[a.infusion], a.first_at
    hard = a.hard

    def count(mask: Flags) -> Ints:
        return counts.table(at[mask & seen], area[mask & seen])

    for word, met in (("soft", a.met_soft), ("hard", hard)):
        for place, outcome in enumerate(OUTCOMES):
            counts.put(f"outcomes_{word}_{outcome}", count(met & (a.outcome == place)), count(met))
    known, overridden = a.outcome != UNKNOWN, a.outcome == OVERRIDDEN
    counts.put("override_share", count(overridden & a.met_soft), count(known & a.met_soft))
    counts.put("left_library_share", count(a.outcome == LEFT), count(known))
    times = np.nan_to_num(limit_multiple(world, happenings))
    for word, far in FAR:
        counts.put(f"far_overrides{word}", count(overridden & (times >= far)), count(overridden))
    timed = overridden & (a.form == ROWS)
    quick = timed & (a.decided_at - a.last_at <= UNDER_S)
    counts.put("override_under_3s_share", count(quick), count(timed))
    # by infusion: of its first soft attempt; attempts stand in order of time
    inside = a.met_soft & seen & np.isin(a.outcome, (OVERRIDDEN, 1, UNCHANGED))
    rows = np.flatnonzero(inside)
    _, first = np.unique(a.infusion[rows], return_index=True)
    ever = np.isin(a.infusion, a.infusion[rows[overridden[rows]]])
    firsts = np.zeros(a.size, np.bool_)
    firsts[rows[first]] = True
    counts.put("infusion_override_share", count(firsts & ever), count(firsts))
    over = rows[overridden[rows]]
    _, first = np.unique(a.infusion[over], return_index=True)
    repeats = np.zeros(a.size, np.bool_)
    repeats[over] = True
    repeats[over[first]] = False
    counts.put("override_repeat_share", count(repeats), count(inside & overridden))


def _programmings(
    world: World, happenings: Happenings, part: Part, counts: Counts, starts_inside: Ints
) -> None:
    """Count confirmed programmes in the library, and attempts that ended with none."""
    inf, a, b = world.infusions, happenings.attempts, happenings.boluses
    rows = np.flatnonzero(
        (part.keep & part.warned)[inf.session] & (inf.use != BYPASSED) & (inf.start < world.log_end)
    )
    whole = {phase: counts.table(np.zeros(0, np.int64), np.zeros(0, np.int64)) for phase in PHASES}
    whole["start"] += counts.table(inf.start[rows], part.area[rows])
    before = inf.rate[rows]
    for i in range(MOST_CHANGES):
        at = inf.start[rows] + wall(inf, rows, inf.change_at[rows, i])
        some = (inf.changes[rows] > i) & (inf.change_rate[rows, i] != before) & (at < world.log_end)
        whole["change"] += counts.table(at[some], part.area[rows][some])
        before = inf.change_rate[rows, i]
    heard = [p for p in part.programmed if p.use is not None and p.use != BYPASSED and part.warned[p.session]]
    for phase in ("start", "change"):
        told = [p for p in heard if p.is_start == (phase == "start")]
        whole[phase] += counts.table(
            np.array([p.at for p in told], np.int64), np.array([p.area for p in told], np.int64)
        )
    given = part.warned[inf.session[b.infusion]]
    whole["bolus"] += counts.table((inf.start[b.infusion] + b.begins)[given], part.area[b.infusion][given])
    seen = part.warned[inf.session[a.infusion]]
    at = np.where(a.confirmed, a.ended_at, a.first_at)
    is_change = np.where(a.confirmed, a.step > 0, a.outcome == UNCHANGED)
    area = part.area[a.infusion]
    alone = seen & ~a.confirmed
    for phase, of_phase in (("start", ~is_change), ("change", is_change)):
        whole[phase] += counts.table(at[alone & of_phase], area[alone & of_phase])
    for word, met in (("soft", a.met_soft), ("hard", a.hard)):
        total = counts.table(at[seen & met], area[seen & met])
        counts.put(f"{word}_alert_share", total, whole["start"] + whole["change"] + whole["bolus"])
        for phase, of_phase in (("start", ~is_change), ("change", is_change)):
            mine = seen & met & of_phase
            counts.put(f"{word}_alert_share_{phase}", counts.table(at[mine], area[mine]), whole[phase])
        counts.put(f"{word}_alert_share_bolus", np.zeros_like(total), whole["bolus"])
        counts.put(f"{word}_alerts_per_100_infusions", total, starts_inside)


def _alarms(world: World, happenings: Happenings, part: Part, counts: Counts, running: Ints) -> None:
    s = happenings.alarms
    seen = part.alarmed[world.infusions.session[s.infusion]]
    area = part.area[s.infusion]
    of_pump = np.isin(s.kind, OF_PUMP)

    def count(mask: Flags) -> Ints:
        return counts.table(s.raised[mask & seen], area[mask & seen])

    counts.put("delivery_alarm_rate", count(~of_pump), running)
    for kind in DELIVERY_KINDS:
        mine = s.kind == ALARM_KINDS.index(kind) if kind in ALARM_KINDS else np.zeros(s.size, np.bool_)
        counts.put(f"delivery_alarm_rate_{kind}", count(mine), running)
    for place, word in enumerate(PRIORITIES):
        counts.put(f"delivery_alarm_rate_priority_{word}", count(~of_pump & (s.priority == place)), running)
    counts.put("delivery_alarm_rate_priority_not_stated", count(np.zeros(s.size, np.bool_)), running)
    every = np.ones(s.size, np.bool_)
    for tail in ("", "_p25", "_p75", "_p90"):
        counts.put(f"alarm_time_to_clear{tail}", count(s.over >= 0), count(every))
        answered = (s.over >= 0) | (s.silenced >= 0)
        counts.put(f"alarm_time_to_first_response{tail}", count(answered), count(every))


def _rate_changes(world: World, part: Part) -> tuple[Ints, Ints]:
    """Return when users changed the rate of what ran, and in which care area."""
    inf = world.infusions
    rows = np.flatnonzero((part.keep & part.warned)[inf.session] & (inf.start < world.log_end))
    before = inf.rate[rows]
    times, areas = [], []
    for i in range(MOST_CHANGES):
        at = inf.start[rows] + wall(inf, rows, inf.change_at[rows, i])
        some = (inf.changes[rows] > i) & (inf.change_rate[rows, i] != before) & (at < world.log_end)
        times.append(at[some])
        areas.append(part.area[rows][some])
        before = inf.change_rate[rows, i]
    heard = [p for p in part.programmed if p.new_rate and part.warned[p.session]]
    times.append(np.array([p.at for p in heard], np.int64))
    areas.append(np.array([p.area for p in heard], np.int64))
    return np.concatenate(times), np.concatenate(areas)


def _stopped(world: World, part: Part) -> tuple[Ints, Ints, Ints]:
    """Return begin, end and care area of what alarms stood still; a device message tells why it stopped."""
    inf = world.infusions
    rows = np.flatnonzero(part.alarmed[inf.session] & (inf.pause_cause == BY_ALARM))
    begin = inf.start[rows] + inf.pause_at[rows]
    return begin, begin + inf.pause_s[rows], part.area[rows]


def _stale(world: World, part: Part, counts: Counts) -> tuple[Ints, Ints]:
    """Count starts on an older version, more than a week after a release that the model has had."""
    s, inf, calendar = world.sessions, world.infusions, world.calendar
    released = np.array(
        [calendar.instant(f"{v.published.isoformat()}T00:00:00") for v in world.scenario.library], np.int64
    )
    family = world.fleet.family[s.pump]
    rows = np.flatnonzero(
        part.keep[inf.session] & (inf.start < world.log_end) & (inf.run_s + inf.second_s >= 30)
    )
    starts = [(inf.start[rows], part.area[rows], s.library[inf.session[rows]], family[inf.session[rows]])]
    heard = [f for f in part.found if f.counted and not f.false_start and f.library is not None]
    starts.append((
        np.array([f.at for f in heard], np.int64), np.array([f.area for f in heard], np.int64),
        np.array([f.library for f in heard], np.int64),
        np.array([family[f.session] for f in heard], np.int64),
    ))  # fmt: skip
    at, area, library, of = (np.concatenate(x) for x in zip(*starts, strict=True))
    stale = np.zeros(len(at), np.bool_)
    used = (s.start < world.log_end) & part.alarmed
    for model in range(int(family.max()) + 1):
        for version in np.unique(s.library[used & (family == model)]):
            late = at > released[version] + STALE_AFTER_S
            stale |= (of == model) & (released[library] < released[version]) & late
    return counts.table(at[stale], area[stale]), counts.table(at, area)
