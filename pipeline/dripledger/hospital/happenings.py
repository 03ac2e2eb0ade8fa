"""What happens beside plain delivery: alarms, boluses, a second line, one drug handed to another channel."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from dripledger.hospital.attempts import (
    Attempts,
    Chosen,
    confine,
    draw_attempts,
    join,
    startable,
    warn_of_weights,
)
from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.fleet import FAMILIES
from dripledger.hospital.limits import HARD_HIGH, SOFT_HIGH, Limits, confine_volumes, infusion_limits
from dripledger.hospital.sessions import set_to_infuse
from dripledger.hospital.world import (
    BY_ALARM,
    BY_SECONDARY,
    BYPASSED,
    COMPLETED,
    KEPT_OPEN,
    LIMITED,
    REFILLED,
    STOPPED,
    Infusions,
    World,
    wall,
)

#: Kinds of alarm; the place in this list is the number in `Alarms.kind`.
ALARM_KINDS = (
    "occlusion",
    "air_in_line",
    "door_open",
    "near_end",
    "end_of_infusion",
    "low_battery",
    "power",
    "fault",
)
OCCLUSION, AIR, DOOR, NEAR_END, END, BATTERY, MAINS, FAULT = range(len(ALARM_KINDS))
#: Priority that each kind sounds at first: 0 none, 1 low, 2 medium, 3 high.
FIRST_PRIORITY = (3, 3, 2, 1, 2, 1, 1, 3)
PRIORITIES = ("none", "low", "medium", "high")
STOPPING = (OCCLUSION, AIR, DOOR)
OF_PUMP = (BATTERY, MAINS, FAULT)

DAY_S = 86400
#: A volume to infuse is at most so many times what is delivered.
_MOST_TO_INFUSE = 2.5


@dataclass
class Alarms:
    """One array entry an alarm; times are instants in seconds, -1: never.

    `infusion` is the one during which it sounded; `channel` 0: the whole pump. `updated` is when it rose in
    priority, `again` when it sounded again and `again_cleared` when that was over.
    """

    infusion: Ints
    channel: Ints
    kind: Ints
    raised: Ints
    silenced: Ints
    cleared: Ints
    updated: Ints
    again: Ints
    again_cleared: Ints

    @property
    def size(self) -> int:
        """Number of alarms."""
        return len(self.infusion)

    @property
    def over(self) -> Ints:
        """Instant at which it was cleared for good; -1: never."""
        found: Ints = np.where(self.again >= 0, self.again_cleared, self.cleared)
        return found

    @property
    def priority(self) -> Ints:
        """Highest priority that it sounded at."""
        found: Ints = np.array(FIRST_PRIORITY)[self.kind] + (self.updated >= 0)
        return found

    @property
    def raw_count(self) -> Ints:
        """Rows that raised or updated it."""
        found: Ints = 1 + (self.updated >= 0).astype(np.int64) + (self.again >= 0)
        return found


@dataclass
class Boluses:
    """One array entry a bolus: seconds from its infusion's start, total rate in 0.01 mL/h."""

    infusion: Ints
    begins: Ints
    lasts: Ints
    rate: Ints


@dataclass
class Happenings:
    """Everything of this kind, and the sessions that hold any of it."""

    limits: Limits
    attempts: Attempts
    alarms: Alarms
    boluses: Boluses
    eventful: Flags  # by session
    apart: Flags  # by session: nothing damaged may come next to these
    piggybacks: Ints  # secondary infusions
    relays: list[tuple[int, int]]  # (from infusion, to infusion)
    tenfold: Chosen


def happen(world: World, maintenance: Flags, rng: np.random.Generator) -> Happenings:
    """Let everything happen, in the sessions that are free for it."""
    sessions, inf = world.sessions, world.infusions
    free = (sessions.area >= 0) & ~maintenance & (sessions.end < world.log_end - 5 * DAY_S)
    free &= sessions.start > world.log_start + DAY_S
    for turn in world.calendar.autumn_changes():
        free &= (sessions.end < turn - 6 * 3600) | (sessions.start > turn + 6 * 3600)
    for pinned in world.pinned.values():
        free[max(0, pinned - 2) : pinned + 3] = False
    free &= rng.random(len(sessions.pump)) >= world.scenario.alarms.calm_share
    apart = np.zeros(len(sessions.pump), np.bool_)
    relays = _relays(world, free, apart, rng)
    piggybacks = _piggybacks(world, free, apart, rng)
    pounds = _pounds(world, free & ~apart, rng)
    apart[pounds] = True
    limits = infusion_limits(world)
    confine(world, limits)
    confine_volumes(world, _MOST_TO_INFUSE)
    plain = free & ~apart
    chosen = _choose(world, limits, plain, rng)
    attempts = draw_attempts(world, limits, plain[inf.session], chosen, rng)
    attempts = join(attempts, warn_of_weights(world, pounds))
    set_to_infuse(inf, rng.uniform(1.05, _MOST_TO_INFUSE, len(inf.session)))
    boluses = _boluses(world, attempts, plain[inf.session], rng)
    alarms = _alarms(world, plain, rng)
    eventful = apart.copy()
    for rows in (attempts.infusion, alarms.infusion, boluses.infusion):
        eventful[inf.session[rows]] = True
    return Happenings(limits, attempts, alarms, boluses, eventful, apart, piggybacks, relays, chosen)


def _pick(mask: Flags, count: int, rng: np.random.Generator) -> Ints:
    rows = np.flatnonzero(mask)
    return np.sort(rng.permutation(rows)[:count]).astype(np.int64)


def _sending(world: World) -> Flags:
    """Return the sessions whose pumps can tell limit alerts, and do."""
    pump = world.sessions.pump
    sends: Flags = (pump != world.fleet.silent) & (world.fleet.family[pump] != FAMILIES.index("C"))
    return sends


def _pounds(world: World, free: Flags, rng: np.random.Generator) -> Ints:
    """Type some weights in pounds, beside the same patient's true weight before; return the sessions."""
    s, inf = world.sessions, world.infusions
    begin = np.full(len(s.pump), -1, np.int64)
    first = (inf.place == 0) & (inf.channel == 1)
    begin[inf.session[first]] = inf.start[first]
    limited = np.zeros(len(s.pump), np.bool_)
    limited[inf.session[first & (inf.use == LIMITED)]] = True
    two = np.zeros(len(s.pump), np.bool_)
    two[inf.session[inf.channel == 2]] = True
    heavy = np.array([mean * 2.2 > mean + 2.5 * spread for mean, spread in
                      (a.weight_kg for a in world.scenario.care_area)])[s.area]  # fmt: skip
    mean = np.array([a.weight_kg[0] for a in world.scenario.care_area])[s.area] * 1000
    fits = free & _sending(world) & limited & ~two & heavy & (np.abs(s.weight_g - mean) < mean * 0.1)
    fits &= (s.weight_at - s.start >= 75) & (begin - s.weight_at < 500)
    turn = world.calendar.month_index
    fits &= turn(s.start - 3600) == turn(s.start + 3600)
    # the session before is of the same patient on the same pump, and has the weight that is meant
    before = np.arange(len(s.pump)) - 1
    beside = ~s.new_patient & (s.pump == s.pump[before]) & (s.weight_g[before] >= 0) & free[before]
    drawn = rng.permutation(np.flatnonzero(fits))
    chosen = np.sort(drawn[beside[drawn]][: world.scenario.planted.weights_in_pounds]).astype(np.int64)
    s.weight_g[before[chosen]] = s.weight_g[chosen]
    s.weight_g[chosen] = np.round(s.weight_g[chosen] * 2.20462 / 100).astype(np.int64) * 100
    return chosen


def _choose(world: World, limits: Limits, free: Flags, rng: np.random.Generator) -> Chosen:
    """Choose the starts on which single attempts are planted."""
    inf = world.infusions
    every = np.arange(len(inf.session))
    can = (free & _sending(world))[inf.session] & startable(world)
    highest = np.nan_to_num(limits.rate(every, SOFT_HIGH)) if limits.apply.any() else np.zeros(len(every))
    soft_only = can & limits.apply & np.isnan(limits.values[:, HARD_HIGH]) & (highest >= 100)
    over = _pick(soft_only, 1, rng)
    tenfold = can & limits.apply & (inf.rate * world.scenario.planted.tenfold_factor > highest * 1.1)
    tenfold[over] = False
    left = can & (inf.use == BYPASSED)
    return Chosen(_pick(tenfold, 1, rng), over, _pick(left, 1, rng))


def _relays(world: World, free: Flags, apart: Flags, rng: np.random.Generator) -> list[tuple[int, int]]:
    """Hand a drug that runs out on one channel to the other, which starts two minutes before."""
    inf, sessions = world.infusions, world.sessions
    single = np.bincount(inf.session, minlength=len(sessions.pump)) == 2
    opens = single[inf.session] & (inf.channel == 1) & (inf.place == 0) & inf.last & (inf.entry >= 0)
    first = np.flatnonzero(opens)
    second = np.minimum(first + 1, len(inf.start) - 1)
    session = inf.session[first]
    # the first ends early enough to leave the other at least 20 minutes
    most = sessions.end[session] - inf.start[first] - 60 - 1320
    fits = (inf.channel[second] == 2) & free[session] & (inf.ending[first] == STOPPED) & (most >= 1800)
    fits &= (inf.run_s[first] >= 3600) & (inf.pause_at[first] < 0) & _sending(world)[session]
    out = []
    for place in _pick(fits, world.scenario.planted.relays, rng):
        one, two = int(first[place]), int(second[place])
        inf.run_s[one], inf.changes[one] = min(int(inf.run_s[one]), int(most[place])), 0
        inf.start[two] = inf.start[one] + inf.run_s[one] - 120
        inf.run_s[two] = min(int(inf.run_s[two]), int(sessions.end[inf.session[two]] - inf.start[two] - 60))
        for name in ("entry", "concentration", "use"):
            getattr(inf, name)[two] = getattr(inf, name)[one]
        inf.rate[two] = inf.rate[one]
        inf.changes[two], inf.ending[two] = 0, STOPPED
        inf.pause_at[two], inf.pause_s[two] = -1, 0
        inf.keep_open_s[two] = inf.second_s[two] = inf.second_at[two] = 0
        apart[inf.session[one]] = True
        out.append((one, two))
    return out


def _piggybacks(world: World, free: Flags, apart: Flags, rng: np.random.Generator) -> Ints:
    """Let a secondary infusion interrupt a primary, which goes on by itself when it is over."""
    inf, sessions = world.infusions, world.sessions
    family = world.fleet.family[sessions.pump[inf.session]]
    names = [e.name for e in world.scenario.entry]
    able = np.array(
        [world.scenario.care_area[a].entries for a in range(len(world.scenario.care_area))], object
    )
    what = names.index("Antibiotic infusion")
    offers = np.array([names[what] in entries for entries in able])
    fits = (family != FAMILIES.index("A")) & free[inf.session] & ~apart[inf.session] & (inf.entry != what)
    fits &= (inf.pause_s >= 600) & (inf.entry >= 0) & offers[sessions.area[inf.session]]
    fits &= sessions.pump[inf.session] != world.fleet.silent
    rows: list[int] = []
    wanted = world.scenario.planted.piggybacks
    for letter in "BC":  # half of them in device messages, where each switch is a stop and a start
        mine = fits & (family == FAMILIES.index(letter))
        rows += _pick(mine, wanted // 2, rng).tolist()
    primary = np.array(sorted(rows), np.int64)
    inf.pause_cause[primary] = BY_SECONDARY
    apart[inf.session[primary]] = True
    new = Infusions(**{f.name: getattr(inf, f.name)[primary].copy() for f in fields(Infusions)})
    new.place[:], new.last[:] = 9, False
    new.start = inf.start[primary] + inf.pause_at[primary]
    new.run_s = inf.pause_s[primary] - 2
    new.pause_at[:], new.pause_s[:], new.changes[:] = -1, 0, 0
    new.ending[:], new.keep_open_s[:], new.second_s[:], new.second_at[:] = COMPLETED, 0, 0, 0
    new.handed[:], new.pause_cause[:], new.secondary[:] = False, 0, True
    new.entry[:], new.concentration[:], new.use[:] = what, 0, LIMITED
    new.rate[:] = 10000
    count = len(inf.session)
    for f in fields(Infusions):
        setattr(inf, f.name, np.concatenate([getattr(inf, f.name), getattr(new, f.name)]))
    return np.arange(count, len(inf.session), dtype=np.int64)


def _boluses(world: World, attempts: Attempts, free: Flags, rng: np.random.Generator) -> Boluses:
    """Give boluses in quiet in-library infusions; device messages have no event for one."""
    inf = world.infusions
    family = world.fleet.family[world.sessions.pump[inf.session]]
    quiet = free & (inf.use != BYPASSED) & (inf.changes == 0) & (inf.pause_at < 0) & (inf.run_s >= 2400)
    quiet &= (family != FAMILIES.index("C")) & ~inf.secondary
    quiet[attempts.infusion] = False
    rows = np.flatnonzero(quiet & (rng.random(len(quiet)) < world.scenario.alarms.bolus_share))
    begins = (inf.run_s[rows] * rng.uniform(0.3, 0.6, len(rows))).astype(np.int64)
    lasts = rng.integers(20, 180, len(rows))
    rate = np.maximum(inf.rate[rows] * 3, 5000)
    return Boluses(rows, begins, lasts, rate)


def _alarms(world: World, free_sessions: Flags, rng: np.random.Generator) -> Alarms:
    inf, sessions, share = world.infusions, world.sessions, world.scenario.alarms
    free = free_sessions[inf.session]
    of_c = world.fleet.family[sessions.pump[inf.session]] == FAMILIES.index("C")
    parts: list[dict[str, Ints]] = []

    def add(rows: Ints, kind: Ints, raised: Ints, cleared: Ints, of_pump: bool = False) -> None:
        channel = np.zeros(len(rows), np.int64) if of_pump else inf.channel[rows]
        parts.append(
            {"infusion": rows, "channel": channel, "kind": kind, "raised": raised, "cleared": cleared}
        )

    # alarms that stop the delivery: a pause by another cause
    stops = free & (inf.pause_s >= 60) & (inf.pause_cause == 0)
    rows = np.flatnonzero(stops & (rng.random(len(free)) < share.stop_share))
    inf.pause_cause[rows] = BY_ALARM
    raised = inf.start[rows] + inf.pause_at[rows]
    lasts = (inf.pause_s[rows] * rng.uniform(0.5, 1.0, len(rows))).astype(np.int64)
    add(rows, rng.choice(STOPPING, len(rows), p=[0.5, 0.3, 0.2]), raised, raised + lasts)
    # while one of them stands still, the battery runs low
    sends = _sending(world)[inf.session]
    pair = rows[(sends & (inf.place == 0) & (inf.channel == 1))[rows]][:2]
    raised = inf.start[pair] + inf.pause_at[pair] - 30
    add(pair, np.full(len(pair), BATTERY), raised, raised + inf.pause_s[pair] // 2 + 20, of_pump=True)
    # near the end of the volume, and at keep-open: nothing stops
    completes = np.isin(inf.ending, (COMPLETED, KEPT_OPEN, REFILLED)) & (inf.run_s >= 900) & ~inf.secondary
    rows = np.flatnonzero(free & completes & (rng.random(len(free)) < share.near_end_share))
    raised = inf.start[rows] + wall(inf, rows, inf.run_s[rows] - rng.integers(120, 301, len(rows)))
    add(rows, np.full(len(rows), NEAR_END), raised, inf.start[rows] + inf.first_end[rows])
    rows = np.flatnonzero(free & (inf.keep_open_s > 0) & (rng.random(len(free)) < share.end_share))
    raised = inf.start[rows] + inf.keep_open_at[rows] + 2
    add(rows, np.full(len(rows), END), raised,
        raised + np.minimum(inf.keep_open_s[rows] - 10, rng.integers(20, 600, len(rows))))  # fmt: skip
    # of the whole pump, during the first infusion of a session
    free = free.copy()
    free[pair] = False
    opening = free & (inf.place == 0) & (inf.channel == 1) & (inf.run_s >= 1800)
    for kind, chance in (
        (BATTERY, share.battery_share),
        (MAINS, share.mains_share),
        (FAULT, share.fault_share),
    ):
        able = opening if kind != MAINS else opening & ~of_c  # the profile's terms at hand have none for it
        rows = np.flatnonzero(able & (rng.random(len(free)) < chance))
        raised = inf.start[rows] + (inf.run_s[rows] * rng.uniform(0.2, 0.9, len(rows))).astype(np.int64)
        ends = np.minimum(raised + rng.integers(60, 5400, len(rows)), inf.start[rows] + inf.length[rows] - 5)
        add(rows, np.full(len(rows), kind), raised, np.maximum(ends, raised + 1), of_pump=True)
    whole = {name: np.concatenate([p[name] for p in parts]).astype(np.int64) for name in parts[0]}
    order = np.lexsort((whole["kind"], whole["infusion"], whole["raised"]))
    whole = {name: values[order] for name, values in whole.items()}
    return _course(world, whole, rng)


def _course(world: World, whole: dict[str, Ints], rng: np.random.Generator) -> Alarms:
    """Draw who answered, what was never cleared, what rose in priority, what sounded again."""
    share = world.scenario.alarms
    n = len(whole["raised"])
    lasts = whole["cleared"] - whole["raised"]
    kind = whole["kind"]
    quiet = (rng.random(n) < share.silenced_share) & (lasts >= 12)
    silenced = np.where(quiet, whole["raised"] + 3 + (lasts * rng.uniform(0, 0.6, n)).astype(np.int64), -1)
    uncleared = np.isin(kind, (NEAR_END, BATTERY)) & (rng.random(n) < share.uncleared_share)
    uncleared |= (
        np.cumsum((kind == NEAR_END) & _sending(world)[world.infusions.session[whole["infusion"]]]) == 1
    )
    uncleared &= np.isin(kind, (NEAR_END, BATTERY))
    rises = np.isin(kind, (NEAR_END, BATTERY)) & (rng.random(n) < share.escalate_share) & (lasts >= 60)
    updated = np.where(rises, whole["raised"] + lasts - 5, -1)
    repeats = (kind == NEAR_END) & ~uncleared & ~rises & (rng.random(n) < share.repeat_share) & (lasts >= 110)
    cleared = np.where(repeats, whole["raised"] + 40, whole["cleared"])
    again = np.where(repeats, whole["raised"] + 70, -1)
    again_cleared = np.where(repeats, whole["cleared"], -1)
    silenced = np.where(silenced >= cleared, -1, silenced)  # nobody silences what is over
    cleared = np.where(uncleared, -1, cleared)
    return Alarms(whole["infusion"], whole["channel"], kind, whole["raised"], silenced, cleared, updated,
                  again, again_cleared)  # fmt: skip
