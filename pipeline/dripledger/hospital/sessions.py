"""What the pumps did: sessions from switch-on to switch-off, and the infusions in them, drawn set-wise."""

from __future__ import annotations

import numpy as np

from dripledger.errors import ConfigurationError
from dripledger.hospital.calendar import Calendar, Flags, Ints
from dripledger.hospital.fleet import FAMILIES, Fleet
from dripledger.hospital.scenario import Scenario
from dripledger.hospital.world import (
    BYPASSED,
    COMPLETED,
    HANDED_OVER,
    KEPT_OPEN,
    LIMITED,
    MOST_CHANGES,
    MOST_INFUSIONS,
    NO_LIMITS,
    REFILLED,
    STOPPED,
    SWITCHED_OFF,
    Infusions,
    Reals,
    Sessions,
    World,
    rate_after,
    volume_at,
)


def _draw_sessions(
    world_span: tuple[int, int], fleet: Fleet, s: Scenario, rng: np.random.Generator
) -> Sessions:
    days = (world_span[1] - world_span[0]) / 86400
    each = int(days * 1.25) + 20
    count = each * fleet.size
    pump = np.repeat(np.arange(fleet.size), each).astype(np.int64)
    clinical = [i for i, a in enumerate(s.care_area) if a.context == "clinical"]
    share = np.array([s.care_area[i].share for i in clinical])
    away = rng.choice(clinical, count, p=share / share.sum())
    area = np.where(rng.random(count) < 0.86, fleet.home[pump], away).astype(np.int64)
    area[rng.random(count) < s.play.no_area_share] = -1
    new_patient = rng.random(count) < 0.7
    new_patient[np.arange(count) % each == 0] = True
    patient = np.cumsum(new_patient).astype(np.int64)
    mean = np.array([a.weight_kg[0] for a in s.care_area])[area]
    spread = np.array([a.weight_kg[1] for a in s.care_area])[area]
    kilograms = np.clip(rng.normal(mean, spread), mean * 0.5, mean * 1.8)
    weight = np.where(rng.random(count) < 0.65, np.round(kilograms * 10).astype(np.int64) * 100, -1)
    zeros = np.zeros(count, np.int64)
    return Sessions(
        pump, zeros.copy(), zeros.copy(), area, patient, new_patient, weight, zeros.copy(), zeros.copy(),
        np.ones(count, np.bool_),
    )  # fmt: skip


def _draw_infusions(sessions: Sessions, fleet: Fleet, s: Scenario, rng: np.random.Generator) -> Infusions:
    """Draw durations and events of each infusion; what runs is decided later, when its month is known."""
    play = s.play
    number = len(sessions.pump)
    second = (fleet.family[sessions.pump] == 1) & (rng.random(number) < s.fleet.second_channel_share)
    chain_session = np.concatenate([np.arange(number), np.flatnonzero(second)])
    chain_channel = np.concatenate([np.ones(number, np.int64), np.full(int(second.sum()), 2, np.int64)])
    order = np.lexsort((chain_channel, chain_session))
    chain_session, chain_channel = chain_session[order], chain_channel[order]
    many = rng.choice(np.arange(1, MOST_INFUSIONS + 1), len(chain_session), p=[0.3, 0.34, 0.23, 0.13])
    many = np.where(chain_channel == 2, np.minimum(many, 2), many)
    chain = np.repeat(np.arange(len(many)), many)
    n = len(chain)
    place = np.arange(n) - np.repeat(np.cumsum(many) - many, many)
    last = place == many[chain] - 1
    session = chain_session[chain]
    hours = np.array([a.run_hours for a in s.care_area])[sessions.area[session]]
    run = np.clip(rng.lognormal(np.log(hours * 3600 * 0.75), 0.6), 900, 30 * 3600).astype(np.int64)
    false_start = rng.random(n) < play.false_start_share
    run = np.where(false_start, rng.integers(5, 30, n), run)
    pauses = ~false_start & (rng.random(n) < play.pause_share)
    pause_at = np.where(pauses, (run * rng.uniform(0.2, 0.9, n)).astype(np.int64), -1)
    # device messages tell a pause as a stop, after which only a quarter of an hour is waited
    longest = np.where(fleet.family[sessions.pump[session]] == FAMILIES.index("C"), 840, 3400)
    pause_s = np.where(pauses, np.clip(rng.lognormal(5.3, 1.0, n), 20, longest).astype(np.int64), 0)
    changes = np.where(false_start, 0, rng.choice(4, n, p=[0.3, 0.3, 0.24, 0.16]))
    change_at = np.sort((run[:, None] * rng.uniform(0.05, 0.95, (n, MOST_CHANGES))).astype(np.int64), axis=1)
    change_at += np.arange(MOST_CHANGES)  # never two in one second
    for _ in range(MOST_CHANGES):
        meets = (change_at == pause_at[:, None]) & (np.arange(MOST_CHANGES) < changes[:, None])
        pause_at = np.where(meets.any(axis=1), pause_at + 1, pause_at)
    draw = rng.random(n)
    edges = np.cumsum([play.complete_share, play.keep_open_share, play.refill_share, play.power_off_share])
    ending = np.select(
        [draw < edges[0], draw < edges[1], draw < edges[2], draw < edges[3]],
        [COMPLETED, KEPT_OPEN, REFILLED, SWITCHED_OFF], STOPPED,
    ).astype(np.int64)  # fmt: skip
    alone = ~second[session]
    ending = np.where((ending == SWITCHED_OFF) & ~(last & alone), STOPPED, ending)
    ending = np.where(false_start, STOPPED, ending)
    handed = (place > 0) & ~false_start & (rng.random(n) < play.midway_share)
    handed &= sessions.area[session] >= 0  # without a care area the pump offers no library to leave
    handed[1:] &= ~false_start[:-1]
    ending[:-1] = np.where(handed[1:], HANDED_OVER, ending[:-1])
    first_end = run + pause_s
    kept = (ending == KEPT_OPEN) | ((ending == REFILLED) & (rng.random(n) < 0.6))
    keep_at = first_end + rng.integers(1, 6, n)
    keep_s = np.where(kept, rng.integers(90, 2400, n), 0)
    refilled = ending == REFILLED
    wait = np.where(kept, keep_at + keep_s, first_end + rng.integers(60, 840, n))
    second_at = np.where(refilled, wait, 0)
    second_s = np.where(refilled, np.maximum(600, (run * rng.uniform(0.3, 1.0, n)).astype(np.int64)), 0)
    zeros = np.zeros(n, np.int64)
    return Infusions(
        session, chain_channel[chain], place, last, zeros.copy(), run, pause_at, pause_s, changes, change_at,
        zeros.copy(), np.zeros((n, MOST_CHANGES), np.int64), ending, keep_at, keep_s, second_at, second_s,
        handed, zeros.copy(), zeros.copy(), zeros.copy(), zeros.copy(), zeros.copy(), np.ones(n, np.bool_),
        zeros.copy(), np.zeros(n, np.bool_),
    )  # fmt: skip


def _lay_out(
    sessions: Sessions, inf: Infusions, lead: Ints, gap: Ints, tail: Ints, idle: Ints, origin: Ints
) -> None:
    """Put sessions one after another on each pump, and infusions into them (instants, in place)."""
    wall = gap + inf.length
    total = np.cumsum(wall)
    begins = np.flatnonzero(inf.place == 0)
    base = np.repeat((total - wall)[begins], np.diff(np.append(begins, len(wall))))
    inf.start = lead[inf.session] + (total - wall) - base + gap
    reach = np.zeros(len(sessions.pump), np.int64)
    np.maximum.at(reach, inf.session, inf.start + inf.length)
    off = np.zeros(len(reach), np.bool_)
    off[inf.session[inf.ending == SWITCHED_OFF]] = True
    length = reach + np.where(off, 0, tail)
    whole = length + idle
    run = np.cumsum(whole)
    opens = np.flatnonzero(np.diff(sessions.pump, prepend=-1))
    before = np.repeat((run - whole)[opens], np.diff(np.append(opens, len(whole))))
    sessions.start = origin[sessions.pump] + (run - whole) - before
    sessions.end = sessions.start + length
    inf.start = inf.start + sessions.start[inf.session]


def _choose_programmes(world: World, quick: Flags, rng: np.random.Generator) -> None:
    """Decide what each infusion runs: entry and concentration, or none of the library."""
    s, sessions, inf = world.scenario, world.sessions, world.infusions
    n = len(inf.session)
    area = sessions.area[inf.session]
    names = {entry.name: i for i, entry in enumerate(s.entry)}
    widest = max(len(a.entries) for a in s.care_area)
    offered = np.array(
        [[names[a.entries[i % len(a.entries)]] for i in range(widest)] for a in s.care_area], np.int64
    )
    lengths = np.array([len(a.entries) for a in s.care_area])[area]
    drawn = rng.integers(0, 1 << 30, n) % lengths
    month = np.clip(world.calendar.month_index(inf.start), 0, None)
    share = np.array([a.bypass_share for a in s.care_area])[area]
    share = share + np.array([a.drift for a in s.care_area])[area] * month
    bypass = (rng.random(n) < np.minimum(share, 0.9)) | (area < 0)
    strengths = np.array([max(1, len(e.concentrations)) for e in s.entry])
    entry = np.where(bypass, -1, offered[area, drawn])
    strength = np.where(bypass, -1, rng.integers(0, 1 << 30, n) % strengths[entry])
    # What follows within minutes is another programme: leaving or entering the library, or another entry.
    for place in range(1, MOST_INFUSIONS):
        here = np.flatnonzero(inf.place == place)
        outside_before = entry[here - 1] < 0
        handed = inf.handed[here]
        same = (entry[here] == entry[here - 1]) & (strength[here] == strength[here - 1])
        move = (quick[here] & same) | (handed & outside_before)
        next_drawn = (drawn[here] + 1) % lengths[here]
        moved = offered[area[here], next_drawn]
        leave = handed & ~outside_before
        entry[here] = np.where(leave, -1, np.where(move, moved, entry[here]))
        strength[here] = np.where(leave, -1, np.where(move, 0, strength[here]))
    inf.entry, inf.concentration = entry, strength
    free = np.array([e.limits == "none" for e in s.entry])
    inf.use = np.where(entry < 0, BYPASSED, np.where(free[entry], NO_LIMITS, LIMITED)).astype(np.int64)


def _choose_rates(world: World, rng: np.random.Generator) -> None:
    """Draw rates, and a volume to infuse that what is delivered never passes."""
    s, inf = world.scenario, world.infusions
    n = len(inf.session)
    low = np.array([*(e.rates_ml_h[0] for e in s.entry), 5.0])[inf.entry]
    high = np.array([*(e.rates_ml_h[1] for e in s.entry), 250.0])[inf.entry]
    drawn = np.exp(rng.uniform(np.log(low), np.log(high)))
    inf.rate = np.maximum(10, np.round(drawn * 10) * 10).astype(np.int64)
    before = inf.rate
    for i in range(MOST_CHANGES):
        after = np.maximum(10, np.round(before * rng.uniform(0.6, 1.6, n) / 10) * 10).astype(np.int64)
        inf.change_rate[:, i] = np.where(after == before, after + 10, after)
        before = inf.change_rate[:, i]
    set_to_infuse(inf, rng.uniform(1.05, 2.5, n))


def set_to_infuse(inf: Infusions, factor: Reals) -> None:
    """Set the volume to infuse from what runs: just enough where it completes, `factor` times that else."""
    delivered = volume_at(inf, inf.run_s)
    completes = np.isin(inf.ending, (COMPLETED, KEPT_OPEN, REFILLED))
    inf.to_infuse = (np.ceil(delivered * np.where(completes, 1.0, factor) / 10) * 10).astype(np.int64)
    second = rate_after(inf, inf.changes) * inf.second_s / 3600
    inf.second_to_infuse = (np.ceil(second * factor / 10) * 10).astype(np.int64)


def simulate(scenario: Scenario, calendar: Calendar, fleet: Fleet, rng: np.random.Generator) -> World:
    """Let the hospital run from the first month to the end of the logs."""
    if not calendar.autumn_changes():
        raise ConfigurationError(
            "in these months the clocks of the zone never go back",
            where="scenario, window and time_zone",
            do="Let the window hold an autumn change of clocks",
        )
    log_start = int(calendar.month_starts[0])
    last_full = len(calendar.months) - 1
    log_end = calendar.instant(f"{calendar.months[last_full]}-{scenario.window.extra_days + 1:02d}T00:00:00")
    sessions = _draw_sessions((log_start, log_end), fleet, scenario, rng)
    inf = _draw_infusions(sessions, fleet, scenario, rng)
    number, n = len(sessions.pump), len(inf.session)
    lead = np.zeros(number, np.int64)
    quick = (inf.place > 0) & ~inf.handed & (rng.random(n) < scenario.play.quick_switch_share)
    quick &= sessions.area[inf.session] >= 0
    gap = np.where(
        inf.place == 0, rng.integers(180, 900, n),
        np.where(inf.handed, 0, np.where(quick, rng.integers(30, 300, n), rng.integers(1200, 4 * 3600, n))),
    )  # fmt: skip
    tail = rng.integers(60, 1500, number)
    idle_s = rng.exponential(scenario.fleet.idle_hours * 3600, number)
    idle = np.clip(idle_s, 900, 10 * 86400).astype(np.int64)
    origin = np.maximum(log_start, fleet.service_from) + rng.integers(600, 20 * 3600, fleet.size)
    world = World(scenario, calendar, fleet, sessions, inf, log_start, log_end, {})
    _lay_out(sessions, inf, lead, gap, tail, idle, origin)
    dropped = _pin_autumn(world, gap)
    _lay_out(sessions, inf, lead, gap, tail, idle, origin)
    _shift_pinned(world)
    setup = rng.integers(60, 140, number)
    sessions.weight_at = sessions.start + setup
    kept = ~dropped & (sessions.start < log_end) & (sessions.start < fleet.service_to[sessions.pump])
    kept &= (sessions.end < fleet.service_to[sessions.pump]) | (fleet.service_to[sessions.pump] > log_end)
    # without a power event nothing tells when a pump of family C was last in use: only whole sessions count
    kept &= (fleet.family[sessions.pump] != FAMILIES.index("C")) | (sessions.end < log_end - 86400)
    _choose_programmes(world, quick, rng)
    _choose_rates(world, rng)
    _drop_sessions(world, kept)
    _install_libraries(world)
    return world


_AUTUMN_CLEAR_LEAD_S = 3 * 3600
_AUTUMN_UNCLEAR_LAG_S = 120


def _pin_autumn(world: World, gap: Ints) -> Flags:
    """Bend a session each of two pumps to meet the repeated hour; return the sessions in the way."""
    sessions, inf, fleet = world.sessions, world.infusions, world.fleet
    dropped = np.zeros(len(sessions.pump), np.bool_)
    turn = world.calendar.autumn_changes()[-1]
    for name, pump, start in (
        ("autumn_hour", fleet.autumn, turn - _AUTUMN_CLEAR_LEAD_S),
        ("autumn_hour_unclear", fleet.autumn_unclear, turn + _AUTUMN_UNCLEAR_LAG_S),
    ):
        mine = sessions.pump == pump
        chosen = int(np.flatnonzero(mine & (sessions.start >= start - 86400))[0])
        dropped |= mine & (np.arange(len(mine)) < chosen) & (sessions.end > start - 2 * 3600)
        sessions.area[chosen] = max(0, sessions.area[chosen])
        world.pinned[name] = chosen
        mine_inf = inf.session == chosen
        one = int(np.flatnonzero(mine_inf & (inf.place == 0))[0])
        inf.run_s[one], inf.pause_at[one], inf.pause_s[one] = 9 * 3600, -1, 0
        inf.ending[one], inf.keep_open_s[one], inf.second_s[one] = STOPPED, 0, 0
        inf.handed[mine_inf] = False
        gap[one] = 600
        inf.changes[one] = 0
        if name == "autumn_hour":  # 40 and 20 minutes before the clocks go back, and 10 minutes after
            inf.changes[one] = MOST_CHANGES
            running = turn - (start + 600)
            inf.change_at[one] = [running - 2400, running - 1200, running + 600]
        others = np.flatnonzero(mine_inf & (inf.place > 0))
        for other in others:  # whatever else the session held comes well after, and is simple
            gap[other] = 2 * 3600
            inf.ending[other] = STOPPED
            inf.keep_open_s[other] = inf.second_s[other] = 0
    return dropped


def _shift_pinned(world: World) -> None:
    sessions, inf = world.sessions, world.infusions
    turn = world.calendar.autumn_changes()[-1]
    for name, start in (
        ("autumn_hour", turn - _AUTUMN_CLEAR_LEAD_S),
        ("autumn_hour_unclear", turn + _AUTUMN_UNCLEAR_LAG_S),
    ):
        chosen = world.pinned[name]
        later = (sessions.pump == sessions.pump[chosen]) & (np.arange(len(sessions.pump)) >= chosen)
        shift = start - int(sessions.start[chosen])
        sessions.start[later] += shift
        sessions.end[later] += shift
        inf.start[later[inf.session]] += shift


def _drop_sessions(world: World, kept: Flags) -> None:
    """Take sessions away that never were, and number the rest anew."""
    number = np.cumsum(kept) - 1
    sessions, inf = world.sessions, world.infusions
    # a patient who came with a dropped session is new in the next one
    first_of_patient = np.zeros(len(kept), np.bool_)
    rows = np.flatnonzero(kept)
    change = np.diff(sessions.patient[rows], prepend=-1) != 0
    first_of_patient[rows] = change
    sessions.new_patient = first_of_patient
    inf.take(kept[inf.session])
    inf.session = number[inf.session].astype(np.int64)
    for name, values in vars(sessions).items():
        setattr(sessions, name, values[kept])
    world.pinned = {name: int(number[s]) for name, s in world.pinned.items()}


def _install_libraries(world: World) -> None:
    """Give each session the newest library that had reached its pump when it was switched on."""
    sessions, calendar = world.sessions, world.calendar
    released = [calendar.instant(f"{v.published.isoformat()}T00:00:00") for v in world.scenario.library]
    delay = world.fleet.library_delay_s[sessions.pump]
    newest = np.zeros(len(sessions.pump), np.int64)
    for i, instant in enumerate(released):
        newest = np.where(sessions.start >= instant + np.where(i == 0, 0, delay), i, newest)
    sessions.library = newest
