"""The demo's truth: what happened, and what the damaged logs can still show, by month and care area."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from dripledger.hospital import records as r
from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.fleet import FAMILIES
from dripledger.hospital.happenings import STOPPING, Happenings
from dripledger.hospital.plants import UNSEEN, Damage, Plan
from dripledger.hospital.pump_truth import pump_figures
from dripledger.hospital.recover import FALSE_START_US, NO_AREA, UNMAPPED, Found, Heard, Programmed, Walk
from dripledger.hospital.warning_truth import Part, WarningTruth, tell_warnings
from dripledger.hospital.world import BYPASSED, LIMITED, World

NO_AREA_NAME = "none selected"
UNMAPPED_NAME = "unmapped"
_US = 1_000_000


class Tally:
    """Starts and running microseconds by month and care area.

    `starts` holds, in its last axis: with known library use, under an entry, protected, and those whose
    protection can be told. `microseconds`: with known library use, under an entry, all. An area of -1 (none
    selected) or -2 (unmapped) finds its column from the end.
    """

    def __init__(self, world: World) -> None:
        self.names = [a.name for a in world.scenario.care_area] + [UNMAPPED_NAME, NO_AREA_NAME]
        self.months = world.calendar.months
        self._calendar = world.calendar
        shape = (len(self.months), len(self.names))
        self.starts = np.zeros((*shape, 4), np.int64)
        self.microseconds = np.zeros((*shape, 3), np.int64)

    def add_starts(self, at: Ints, area: Ints, under: Flags, protected: Flags, told: Flags) -> None:
        """Count starts (instants in seconds; area index, -1 none, -2 unmapped)."""
        place = (self._calendar.month_index(at), area)
        for column, mask in enumerate((np.ones(len(at), np.bool_), under, protected, told)):
            np.add.at(self.starts[:, :, column], (place[0][mask], place[1][mask]), 1)

    def add(self, other: Tally) -> None:
        """Add another tally."""
        self.starts += other.starts
        self.microseconds += other.microseconds

    def add_running(self, begin: Ints, end: Ints, area: Ints, under: Flags, known: bool = True) -> None:
        """Add running stretches (microseconds), split at each local midnight of the first."""
        edges = self._calendar.month_starts * _US
        for month in range(len(self.months)):
            inside = np.minimum(end, edges[month + 1]) - np.maximum(begin, edges[month])
            some = inside > 0
            np.add.at(self.microseconds[month, :, 2], area[some], inside[some])
            if not known:
                continue
            np.add.at(self.microseconds[month, :, 0], area[some], inside[some])
            some &= under
            np.add.at(self.microseconds[month, :, 1], area[some], inside[some])

    def rows(self) -> Iterable[list[str | int | float]]:
        """Give measure, month, care_area, numerator, denominator, then both in microseconds."""
        for m, month in enumerate(self.months):
            for a, area in enumerate(self.names):
                known, under, protected, told = (int(x) for x in self.starts[m, a])
                yield ["library_use_starts", month, area, under, known, "", ""]
                whole, used, _ = (int(x) for x in self.microseconds[m, a])
                yield ["library_use_hours", month, area, used / 3.6e9, whole / 3.6e9, used, whole]
                yield ["protected_share", month, area, protected, told, "", ""]


@dataclass
class Truth:
    """Both truths, ready to be written."""

    happened: Tally
    recoverable: Tally
    fleet: list[list[str | int | float]]
    quality: list[list[str | int | float]]
    warnings_happened: WarningTruth
    warnings_recoverable: WarningTruth


def area_as_read(world: World) -> Ints:
    """Return the care area of each infusion as the logs can tell it.

    A device message names the care area only where it runs in the library: outside it, the last one that was
    named stands.
    """
    s, inf = world.sessions, world.infusions
    area = s.area[inf.session].copy()
    for pump in world.fleet.in_family("C"):
        mine = np.flatnonzero(s.pump[inf.session] == pump)
        mine = mine[np.argsort(inf.start[mine], kind="stable")]
        named = np.where(inf.entry[mine] >= 0, np.arange(len(mine)), -1)
        last = np.maximum.accumulate(named)
        area[mine] = np.where(last >= 0, area[mine[last]], NO_AREA)
    return area


def protected_table(world: World) -> Flags:
    """Return for (library version, entry) whether a hard high limit on dose or rate was in force."""
    s = world.scenario
    versions = [v.version for v in s.library]
    table = np.zeros((len(versions), len(s.entry) + 1), np.bool_)  # the last column: outside the library
    for e, entry in enumerate(s.entry):
        begin = 0 if entry.limits == "full" else len(versions)
        if entry.limits == "soft" and entry.hard_from is not None:
            begin = versions.index(entry.hard_from)
        table[begin:, e] = True
    return table


def add_happened(world: World, plan: Plan, tally: Tally, keep: Flags, area_of: Ints | None = None) -> None:
    """Add what happened in some sessions, taken from the infusions themselves (`area_of` each infusion)."""
    inf, s = world.infusions, world.sessions
    rows = np.flatnonzero(keep[inf.session] & ~plan.maintenance[inf.session] & (inf.start < world.log_end))
    area = s.area[inf.session[rows]] if area_of is None else area_of[rows]
    under = inf.use[rows] != BYPASSED
    running = (inf.run_s + inf.second_s)[rows]
    counted = running * _US >= FALSE_START_US
    guarded = protected_table(world)[s.library[inf.session[rows]], inf.entry[rows]] & under & (area >= 0)
    tally.add_starts(inf.start[rows][counted], area[counted], under[counted], guarded[counted],
                     np.ones(int(counted.sum()), np.bool_))  # fmt: skip
    paused = inf.pause_at[rows] >= 0
    begin = inf.start[rows]
    end = begin + inf.first_end[rows]
    halt = np.where(paused, begin + inf.pause_at[rows], end)
    again = np.where(paused, halt + inf.pause_s[rows], end)
    second = np.where(inf.second_s[rows] > 0, begin + inf.second_at[rows], end)
    for left, right in ((begin, halt), (again, end), (second, second + inf.second_s[rows])):
        right = np.minimum(right, world.log_end)
        tally.add_running(left * _US, right * _US, area, under)


@dataclass
class Readable:
    """The records that can be read as events, with the times that they are read at."""

    rows: Ints  # into the written log
    at: Ints
    ambiguous: Flags
    gap: Flags


def readable_records(world: World, log: r.Records, damage: Damage) -> Readable:
    """Return what can be read, each pump's local times resolved in the order of its sequence."""
    visible = ~damage.lost & (damage.spoil == 0) & (log.pump != world.fleet.silent)
    rows = np.flatnonzero(visible)
    at, ambiguous = log.at[rows].copy(), np.zeros(len(rows), np.bool_)
    error = r.clock_error(world, world.fleet, log)
    shown = r.device_reading(world, world.fleet, log)
    for pump in world.fleet.in_family("A"):  # family B logs its offset
        mine = np.flatnonzero(log.pump[rows] == pump)
        read, doubt = world.calendar.resolve(shown[rows[mine]])
        at[mine] = read - error[rows[mine]]
        ambiguous[mine] = doubt
    same_pump = np.diff(log.pump[rows], prepend=-1) == 0
    gap = same_pump & (np.diff(log.sequence[rows], prepend=0) != 1)
    return Readable(rows, at, ambiguous, gap)


def _stretches(world: World, log: r.Records, seen: Readable, plan: Plan) -> Flags:
    """Return the sessions to walk through: the touched ones and their neighbours on the same pump."""
    s = world.sessions
    touched = np.zeros(len(s.pump), np.bool_)
    touched[sorted(plan.touched)] = True
    touched |= s.end >= world.log_end
    touched[log.session[seen.rows[seen.ambiguous]]] = True
    walked = touched.copy()
    same = s.pump[1:] == s.pump[:-1]
    walked[1:] |= touched[:-1] & same
    walked[:-1] |= touched[1:] & same
    return walked


@dataclass
class Walked:
    """What was rebuilt: infusions, and the programmes that were confirmed."""

    found: list[Found]
    programmed: list[Programmed]


def walk_all(world: World, log: r.Records, seen: Readable, sessions: Flags, happenings: Happenings) -> Walked:
    """Walk through the readable records of some sessions, each unbroken run of sessions by itself."""
    inf, s = world.infusions, world.sessions
    mine = np.flatnonzero(sessions[log.session[seen.rows]])
    rows = seen.rows[mine]
    session, kind, infusion = log.session[rows], log.kind[rows], log.infusion[rows]
    family_b = world.fleet.family[log.pump[rows]] == FAMILIES.index("B")
    begins = (np.diff(log.pump[rows], prepend=-1) != 0) | (np.diff(session, prepend=-9) > 1)
    out = Walked([], [])
    stops = np.isin(happenings.alarms.kind, STOPPING)
    events: list[Heard] = []

    def go() -> None:
        walk = Walk()
        out.found += walk.go(events)
        out.programmed += walk.programmed

    for i, row in enumerate(rows):
        if begins[i] and events:
            go()
            events = []
        sn, k, n = int(session[i]), int(kind[i]), int(infusion[i])
        area = int(s.area[sn]) if s.area_known[sn] else UNMAPPED
        patient = int(log.patient[row])
        programme = (
            k == r.START or (k == r.BYPASS and log.rate[row] >= 0) or bool(k == r.RATE and family_b[i])
        )
        events.append(Heard(
            at=int(seen.at[mine[i]]), kind=k, channel=int(log.channel[row]), session=sn,
            gap=bool(seen.gap[mine[i]]) and not begins[i], ambiguous=bool(seen.ambiguous[mine[i]]),
            area=area if (k == r.AREA or (family_b[i] and area != NO_AREA)) else None,
            patient=patient if patient >= 0 else (int(s.patient[sn]) if family_b[i] else None),
            library=int(s.library[sn]) if family_b[i] or k in (r.ON, r.START) else None,
            use=int(inf.use[n]) if programme else None,
            entry=(int(inf.entry[n]) if inf.entry_known[n] else UNMAPPED) if programme else None,
            strength=int(inf.concentration[n]) if programme else None,
            rate=_logged(log.rate[row]), to_infuse=_logged(log.to_infuse[row]),
            volume=_logged(log.volume[row]),
            stops=k == r.ALARM and bool(stops[log.about[row]]),
        ))  # fmt: skip
    if events:
        go()
    return out


def _logged(value: np.int64) -> int | None:
    return None if value < 0 else int(value)


def add_found(world: World, plan: Plan, tally: Tally, found: Sequence[Found]) -> None:
    """Add infusions rebuilt by the walk."""
    guarded = protected_table(world)
    for one in found:
        if plan.maintenance[one.session]:
            continue
        if one.use is None:
            for begin, end, where in one.pieces:
                tally.add_running(
                    np.array([begin]), np.array([end]), np.array([where]), np.array([False]), False
                )
            continue
        under = np.array([one.use != BYPASSED])
        if one.counted and not one.false_start:
            entry = UNMAPPED if one.entry is None else one.entry
            # no library row can be found for a label that nobody has filed: such a start is on neither side
            told = one.library is not None and (one.use != LIMITED or (one.area >= 0 and entry >= 0))
            safe = told and one.use == LIMITED and bool(guarded[one.library, entry])
            at, area = np.array([one.at]), np.array([one.area])
            tally.add_starts(at, area, under, np.array([safe]), np.array([told]))
        for begin, end, where in one.pieces:
            tally.add_running(np.array([begin]), np.array([end]), np.array([where]), under)


def tell(world: World, plan: Plan, log: r.Records, damage: Damage, happenings: Happenings) -> Truth:
    """Work out both truths."""
    seen = readable_records(world, log, damage)
    family = world.fleet.family[world.sessions.pump]
    sent = world.sessions.pump != world.fleet.silent
    of_c = family == FAMILIES.index("C")
    clinical = ~plan.maintenance
    happened, recoverable, able = Tally(world), Tally(world), Tally(world)
    add_happened(world, plan, happened, np.ones(len(family), np.bool_))
    read = area_as_read(world)
    touched = _stretches(world, log, seen, plan) & ~of_c
    walked = walk_all(world, log, seen, touched & sent, happenings)
    add_happened(world, plan, able, ~touched & sent & ~of_c)
    add_found(world, plan, able, walked.found)
    add_happened(world, plan, recoverable, sent & of_c, read)
    recoverable.add(able)
    quality = _quality_rows(world, log, seen)
    quality += _uncertain_rows(world, plan, ~touched & sent, walked.found)
    programmed = [p for p in walked.programmed if clinical[p.session]]
    found = [f for f in walked.found if clinical[f.session]]
    everything = happened.microseconds[:, :, 2]
    true_area = world.sessions.area[world.infusions.session]
    warned = tell_warnings(
        world, happenings, Part(clinical, clinical, clinical, true_area), happened.names, everything,
        everything, happened.starts[:, :, 1],
    )  # fmt: skip
    part = Part(clinical & sent & ~touched, clinical & sent & ~of_c, clinical & sent, read, found, programmed)
    told = tell_warnings(
        world, happenings, part, happened.names, recoverable.microseconds[:, :, 2],
        able.microseconds[:, :, 2], able.starts[:, :, 1],
    )  # fmt: skip
    every = np.arange(log.size)
    for truth, where in (
        (warned, (every, log.at, np.ones(len(family), np.bool_))),
        (told, (seen.rows, seen.at, sent)),
    ):  # fmt: skip
        truth.facility = pump_figures(world, plan, log, happenings, *where)
    return Truth(happened, recoverable, _fleet_rows(world, log, seen, damage), quality, warned, told)


def _fleet_rows(
    world: World, log: r.Records, seen: Readable, damage: Damage
) -> list[list[str | int | float]]:
    """Give fleet coverage and log completeness by month, both truths side by side."""
    fleet, calendar = world.fleet, world.calendar
    month_true, month_read = calendar.month_index(log.at), calendar.month_index(seen.at)
    sent = log.pump != fleet.silent
    numbered = sent & (
        fleet.family[log.pump] != FAMILIES.index("C")
    )  # device messages carry no running number
    number_seen = numbered & ~damage.lost & ~np.isin(damage.spoil, [int(x) for x in UNSEEN])
    out: list[list[str | int | float]] = []
    for m, month in enumerate(calendar.months):
        begin, end = calendar.month_starts[m], calendar.month_starts[m + 1]
        in_service = int(((fleet.service_from < end) & (fleet.service_to > begin)).sum())
        used = len(np.unique(log.pump[month_true == m]))
        heard = len(np.unique(log.pump[seen.rows[month_read == m]]))
        out.append(["fleet_coverage", month, "happened", used, in_service])
        out.append(["fleet_coverage", month, "recoverable", heard, in_service])
        expected = int((numbered & (month_true == m)).sum())
        out.append(["log_completeness", month, "happened", expected, expected])
        arrived = int((number_seen & (month_true == m)).sum())
        out.append(["log_completeness", month, "recoverable", arrived, expected])
    return out


def _quality_rows(world: World, log: r.Records, seen: Readable) -> list[list[str | int | float]]:
    """Give events with an unmapped label and with a corrected clock, by month and family."""
    inf, s, rows = world.infusions, world.sessions, seen.rows
    month = world.calendar.month_index(seen.at)
    whole = np.where(log.infusion[rows] >= 0, log.infusion[rows], 0)
    unmapped = log.kind[rows] == r.OTHER
    unmapped |= (log.kind[rows] == r.AREA) & ~s.area_known[log.session[rows]]
    unmapped |= (log.kind[rows] == r.START) & ~inf.entry_known[whole]
    corrected = r.clock_error(world, world.fleet, log.take(rows)) != 0
    family = world.fleet.family[log.pump[rows]]
    out: list[list[str | int | float]] = []
    for m, name in enumerate(world.calendar.months):
        for f, letter in enumerate(FAMILIES):
            here = (month == m) & (family == f)
            source = f"family_{letter.lower()}"
            total = int(here.sum())
            for measure, mask in (("unmapped_share", unmapped), ("clock_corrected_share", corrected),
                                  ("ambiguous_events", seen.ambiguous)):  # fmt: skip
                out.append([measure, name, source, int((here & mask).sum()), total])
    return out


def _uncertain_rows(
    world: World, plan: Plan, whole: Flags, found: Sequence[Found]
) -> list[list[str | int | float]]:
    """Give infusions that could not be rebuilt without a doubt, by the month of their begin and family."""
    inf, s, calendar = world.infusions, world.sessions, world.calendar
    shape = (len(calendar.months), len(FAMILIES))
    doubtful, total = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
    rows = np.flatnonzero(whole[inf.session] & ~plan.maintenance[inf.session])
    family = world.fleet.family[s.pump[inf.session[rows]]]
    np.add.at(total, (calendar.month_index(inf.start[rows]), family), 1)
    for one in found:
        if not plan.maintenance[one.session]:
            month_of = int(calendar.month_index(np.array([one.at]))[0])
            place = month_of, int(world.fleet.family[s.pump[one.session]])
            total[place] += 1
            doubtful[place] += one.doubtful
    return [
        ["uncertain_share", month, f"family_{letter.lower()}", int(doubtful[m, f]), int(total[m, f])]
        for m, month in enumerate(calendar.months)
        for f, letter in enumerate(FAMILIES)
    ]


def write_rows(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write one CSV of the truth."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)
