"""Limit alerts and what people did then: drawn infusion by infusion, so that alerts cluster."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.limits import HARD_HIGH, HARD_LOW, SOFT_HIGH, SOFT_LOW, Limits
from dripledger.hospital.world import BYPASSED, MOST_CHANGES, Reals, World, wall

#: What became of an attempt; the place in this list is the number in `Attempts.outcome`.
OUTCOMES = ("overridden", "within_limits", "left_library", "unchanged", "cancelled", "unknown")
OVERRIDDEN, WITHIN, LEFT, UNCHANGED, CANCELLED, UNKNOWN = range(len(OUTCOMES))
#: How a pump writes what it warned about: alert row, then key row; one row with the decision; override alone.
ROWS, ONE_ROW, OVERRIDE_ALONE = range(3)
FORMS = ("rows", "one_row", "override_alone")
#: Steps of a programme beside the rate changes 1 to 3: the start, and no confirmed programme at all.
AT_START, NOTHING = 0, -1
MOST_ALERTS = 3

#: Free time before a change that an attempt needs, and time around a month's turn that attempts avoid.
_ROOM_S, _TURN_S = 45, 3600
_GIVEN_UP_S, _UNANSWERED_S = 36, 900


@dataclass
class Attempts:
    """One array entry an attempt; times are instants in seconds, rates in 0.01 mL/h.

    `infusion` is the one that it led to, that ran on, or that came after it; `limits_of` the one whose entry
    and limits it met. `alert_at` and `entered` have shape (n, 3), -1 where there were fewer alerts;
    `decided_at` is -1 where the log has no row of its own for the decision.
    """

    infusion: Ints
    limits_of: Ints
    step: Ints
    outcome: Ints
    ended_at: Ints
    alerts: Ints
    alert_at: Ints
    decided_at: Ints
    entered: Ints
    final: Ints
    low: Flags
    hard: Flags  # the first entry was beyond the hard limit; later ones never are
    form: Ints
    weight_limit_g: Ints  # warned about the weight: the limit that it is over; 0: warned about dose or rate

    @property
    def size(self) -> int:
        """Number of attempts."""
        return len(self.infusion)

    @property
    def met_soft(self) -> Flags:
        """Whether a soft limit was met."""
        met: Flags = ~self.hard | (self.alerts > 1)
        return met

    @property
    def confirmed(self) -> Flags:
        """Whether a programme in the library was confirmed."""
        found: Flags = np.isin(self.outcome, (OVERRIDDEN, WITHIN))
        return found

    @property
    def first_at(self) -> Ints:
        """Instant of the first alert as it happened."""
        found: Ints = self.alert_at[:, 0]
        return found

    @property
    def last_at(self) -> Ints:
        """Instant of the last alert."""
        found: Ints = self.alert_at[np.arange(self.size), self.alerts - 1]
        return found


def confine(world: World, limits: Limits) -> None:
    """Bring every rate inside the soft limits of its entry: what lies outside has an attempt of its own."""
    inf = world.infusions
    rows = np.flatnonzero(limits.apply)
    low = np.ceil(limits.rate(rows, SOFT_LOW) * 1.01 / 10) * 10
    high = np.floor(limits.rate(rows, SOFT_HIGH) * 0.99 / 10) * 10
    low = np.maximum(low, 10)
    narrow = high < low
    limits.apply[rows[narrow]] = False
    rows, low, high = rows[~narrow], low[~narrow], high[~narrow]
    inf.rate[rows] = np.clip(inf.rate[rows], low, high)
    before = inf.rate[rows]
    for i in range(MOST_CHANGES):
        after = np.clip(inf.change_rate[rows, i], low, high)
        after = np.where((after == before) & (after + 10 <= high), after + 10, after)
        after = np.where((after == before) & (after - 10 >= low), after - 10, after)
        inf.change_rate[rows, i] = after
        before = after


@dataclass
class Chosen:
    """Infusions on which one attempt each is planted: started with ten times what was meant, and left."""

    brought_inside: Ints
    overridden: Ints
    left: Ints


def draw_attempts(
    world: World, limits: Limits, free: Flags, chosen: Chosen, rng: np.random.Generator
) -> Attempts:
    """Draw all attempts, and set the rates that were confirmed past a limit.

    Parameters
    ----------
    world
        Its infusions' rates are changed.
    limits
        What limits each infusion.
    free
        Infusions that nothing else is planted on.
    chosen
        What is planted.
    rng
        Where chance comes from.
    """
    inf = world.infusions
    ready = rng.gamma(world.scenario.alerts.cluster_shape, 1, len(inf.session))
    ready /= world.scenario.alerts.cluster_shape
    parts = [_confirmed(world, limits, free, ready, chosen, step, rng) for step in range(MOST_CHANGES + 1)]
    parts.append(_unchanged(world, limits, free, ready, rng))
    parts += _before_starts(world, limits, free, ready, rng)
    parts.append(_leaving(world, limits, free, chosen.left, rng))
    whole = Attempts(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Attempts)}
    )
    order = np.lexsort((whole.infusion, whole.first_at))
    return Attempts(**{f.name: getattr(whole, f.name)[order] for f in fields(Attempts)})


def _rate_table(world: World) -> Reals:
    """Return the mean number of attempts per programming by library version and entry."""
    s = world.scenario
    versions = [v.version for v in s.library]
    table = np.array([[e.alert_rate for e in s.entry] + [0.0]] * len(versions))
    for i, entry in enumerate(s.entry):
        if entry.quiet_from is not None:
            table[: versions.index(entry.quiet_from), i] *= entry.noise
    return table


def _away_from_turns(world: World, at: Ints) -> Flags:
    """Return which instants are not near the turn of a month."""
    calendar = world.calendar
    away: Flags = calendar.month_index(at - _TURN_S) == calendar.month_index(at + _TURN_S)
    return away


def startable(world: World) -> Flags:
    """Return which infusions an attempt can come before."""
    inf = world.infusions
    can: Flags = ~inf.handed & (inf.run_s >= 60) & ~inf.secondary & _away_from_turns(world, inf.start)
    return can


def _confirmed(
    world: World,
    limits: Limits,
    free: Flags,
    ready: Reals,
    planted: Chosen,
    step: int,
    rng: np.random.Generator,
) -> Attempts:
    """Draw attempts that end with a confirmed programme: a start, or one of the rate changes."""
    inf, plan = world.infusions, world.scenario.alerts
    n = len(inf.session)
    can = free & limits.apply & ~inf.secondary
    before = np.full(n, -1, np.int64)
    if step == AT_START:
        can &= startable(world)
        at = inf.start
    else:
        i = step - 1
        change = inf.change_at[:, i]
        earlier = inf.change_at[:, i - 1] if i > 0 else np.zeros(n, np.int64)
        before = inf.change_rate[:, i - 1] if i > 0 else inf.rate
        can &= (inf.changes > i) & (change - earlier >= _ROOM_S) & (inf.change_rate[:, i] != before)
        can &= (inf.pause_at < 0) | (change < inf.pause_at) | (change - inf.pause_at >= _ROOM_S)
        at = inf.start + wall(inf, np.arange(n), change)
    can &= _away_from_turns(world, at)
    mean = _rate_table(world)[world.sessions.library[inf.session], inf.entry]
    drawn = can & (rng.random(n) < 1 - np.exp(-mean * ready))
    if step == AT_START:
        drawn[planted.brought_inside] = drawn[planted.overridden] = True
    rows = np.flatnonzero(drawn)
    m = len(rows)
    back, over = np.isin(rows, planted.brought_inside), np.isin(rows, planted.overridden)
    if step != AT_START:
        back[:] = over[:] = False
    overrides = ((rng.random(m) < plan.override_share) | over) & ~back
    usual = inf.rate[rows] if step == AT_START else inf.change_rate[rows, step - 1]
    out = _tried(world, limits, rows, rng)
    tenfold = world.scenario.planted.tenfold_factor
    out.low &= ~(back | over)
    out.alerts = np.where(back | over, 1, out.alerts)
    meant = np.floor(limits.rate(rows, SOFT_HIGH) * 0.6 / 10) * 10
    out.entered[:, 0] = np.where(over, meant * tenfold, out.entered[:, 0])
    out.final = np.where(overrides, out.entered[:, 0], usual)
    # nothing is confirmed twice: what is overridden differs from what ran
    out.final = np.where(out.final == before[rows], out.final + np.where(out.low, -10, 10), out.final)
    if step == AT_START:
        inf.rate[rows] = out.final
    else:
        inf.change_rate[rows, step - 1] = out.final
    out.step[:] = step
    out.outcome = np.where(overrides, OVERRIDDEN, WITHIN).astype(np.int64)
    # the first try of several is farther off; the last one of an override is what was confirmed
    last = out.alerts - 1
    hard = ~np.isnan(limits.values[rows, HARD_HIGH]) & (rng.random(m) < plan.hard_share)
    _enter(limits, rows, out, hard, rng)
    out.entered[np.arange(m)[overrides], last[overrides]] = out.final[overrides]
    out.hard &= ~overrides | (out.alerts > 1)
    out.entered[back, 0] = usual[back] * tenfold
    out.hard = np.where(
        back, out.entered[:, 0] > np.nan_to_num(limits.rate(rows, HARD_HIGH), nan=np.inf), out.hard
    )
    _time(out, at[rows], rng)
    _form(world, out)
    return out


def _tried(world: World, limits: Limits, rows: Ints, rng: np.random.Generator) -> Attempts:
    """Return attempts of some infusions with first entries outside a soft limit and inside the hard one."""
    m, plan = len(rows), world.scenario.alerts
    far = rng.random(m) < plan.far_share
    times = 1.03 + np.abs(rng.normal(0, 0.28, m)) + np.where(far, rng.uniform(0.6, 10.5, m), 0)
    hard_high, soft_high = limits.rate(rows, HARD_HIGH), limits.rate(rows, SOFT_HIGH)
    highest = np.where(np.isnan(hard_high), np.inf, hard_high * 0.97)
    value = np.minimum(np.round(soft_high * times / 10) * 10, np.floor(highest / 10) * 10)
    value = np.maximum(value, np.floor(soft_high / 10) * 10 + 10)
    soft_low, hard_low = limits.rate(rows, SOFT_LOW), limits.rate(rows, HARD_LOW)
    under = np.floor(soft_low * rng.uniform(0.5, 0.95, m) / 10) * 10
    low = (rng.random(m) < plan.low_share) & (under >= 20) & ~(under <= np.nan_to_num(hard_low) * 1.03)
    entered = np.full((m, MOST_ALERTS), -1, np.int64)
    entered[:, 0] = np.where(low, under, value)
    alerts = 1 + np.minimum(rng.poisson(0.3, m), MOST_ALERTS - 1)
    none = np.full(m, -1, np.int64)
    return Attempts(
        rows, rows.copy(), none.copy(), none.copy(), none.copy(), alerts,
        np.full((m, MOST_ALERTS), -1, np.int64), none.copy(), entered, none.copy(), low,
        np.zeros(m, np.bool_), none.copy(), np.zeros(m, np.int64),
    )  # fmt: skip


def _enter(limits: Limits, rows: Ints, out: Attempts, hard: Flags, rng: np.random.Generator) -> None:
    """Fill in what was typed at each alert: the first beyond the hard limit where asked, the rest soft."""
    m = len(rows)
    usual = out.entered[:, 0].copy()
    for k in range(1, MOST_ALERTS):
        out.entered[:, k] = np.where(out.alerts > k, usual, -1)
    typed = np.ceil(limits.rate(rows, HARD_HIGH) * rng.uniform(1.05, 4.0, m) / 10) * 10
    out.hard = hard & ~out.low
    out.entered[:, 0] = np.where(out.hard, np.nan_to_num(typed), usual)


def _time(out: Attempts, at: Ints, rng: np.random.Generator) -> None:
    """Set the times of alerts and decision before the moment at which the attempt ends."""
    m = out.size
    lead = rng.integers(2, 13, m)
    thought = np.minimum(lead, np.floor(rng.exponential(4.0, m)).astype(np.int64))
    step = rng.integers(3, 7, m)
    for k in range(MOST_ALERTS):
        back = lead + step * (out.alerts - 1 - k)
        out.alert_at[:, k] = np.where(out.alerts > k, at - back, -1)
    out.decided_at = at - lead + thought
    out.ended_at = at.copy()


def _form(world: World, out: Attempts) -> None:
    """Let a third of the pumps write in each form; an override row alone tells only one alert, overridden."""
    pump = world.sessions.pump[world.infusions.session[out.infusion]]
    out.form = (
        pump % len(FORMS) if world.form is None else np.full(out.size, FORMS.index(world.form), np.int64)
    )
    alone = (out.outcome == OVERRIDDEN) & (out.alerts == 1)
    out.form = np.where((out.form == OVERRIDE_ALONE) & ~alone, ROWS, out.form)
    out.form = np.where((out.form == ONE_ROW) & ~out.confirmed, ROWS, out.form).astype(np.int64)


def _unchanged(world: World, limits: Limits, free: Flags, ready: Reals, rng: np.random.Generator) -> Attempts:
    """Draw attempts at a change that was given up: half by a key, half by doing nothing more."""
    inf, plan = world.infusions, world.scenario.alerts
    n = len(inf.session)
    quiet = (
        free & limits.apply & ~inf.secondary & (inf.changes == 0) & (inf.pause_at < 0) & (inf.run_s >= 3600)
    )
    at = inf.start + inf.run_s // 2
    quiet &= _away_from_turns(world, at)
    chosen = np.flatnonzero(quiet & (rng.random(n) < 1 - np.exp(-plan.unchanged_rate * ready)))
    out = _tried(world, limits, chosen, rng)
    _enter(limits, chosen, out, np.zeros(len(chosen), np.bool_), rng)
    _time(out, at[chosen], rng)
    out.outcome[:] = UNCHANGED
    silent = rng.random(len(chosen)) < 0.5
    out.decided_at = np.where(silent, -1, out.ended_at)
    out.final = inf.rate[chosen].copy()
    _form(world, out)
    return out


def _before_starts(
    world: World, limits: Limits, free: Flags, ready: Reals, rng: np.random.Generator
) -> list[Attempts]:
    """Draw attempts on a still channel: given up before the programme that was meant, or never answered."""
    inf, plan = world.infusions, world.scenario.alerts
    n = len(inf.session)
    gap = np.full(n, 180, np.int64)
    gap[1:] = np.where(inf.place[1:] > 0, (inf.start[1:] - (inf.start + inf.length)[:-1]), 180)
    can = free & limits.apply & ~inf.secondary & ~inf.handed & _away_from_turns(world, inf.start)
    found = []
    for outcome, rate, back, needed in (
        (CANCELLED, plan.cancelled_rate, _GIVEN_UP_S, 90),
        (UNKNOWN, plan.unanswered_rate, _UNANSWERED_S, 1200),
    ):  # fmt: skip
        possible = can & (gap >= needed)
        chosen = np.flatnonzero(possible & (rng.random(n) < 1 - np.exp(-rate * ready)))
        out = _tried(world, limits, chosen, rng)
        out.alerts[:] = 1
        _enter(limits, chosen, out, np.zeros(len(chosen), np.bool_), rng)
        _time(out, inf.start[chosen] - back + 12, rng)
        out.outcome[:] = outcome
        out.decided_at = np.full(len(chosen), -1, np.int64) if outcome == UNKNOWN else out.ended_at.copy()
        _form(world, out)
        found.append(out)
    return found


def _leaving(world: World, limits: Limits, free: Flags, planted: Ints, rng: np.random.Generator) -> Attempts:
    """Draw starts outside the library that came after a warning about an entry of the same care area."""
    inf, sessions, plan = world.infusions, world.sessions, world.scenario.alerts
    n = len(inf.session)
    out_of = free & (inf.use == BYPASSED) & (sessions.area[inf.session] >= 0) & startable(world)
    # what was warned about is what some other infusion of that care area, library and weight ran
    inside = np.flatnonzero(limits.apply)
    drawn = out_of & (rng.random(n) < plan.left_share)
    drawn[planted] = True
    chosen = np.flatnonzero(drawn)
    key = sessions.area[inf.session] * 100 + sessions.library[inf.session]
    model = {int(k): inside[key[inside] == k] for k in np.unique(key[chosen])}
    like = np.array(
        [int(rng.choice(model[int(key[i])])) if len(model[int(key[i])]) else -1 for i in chosen], np.int64
    )
    chosen, like = chosen[like >= 0], like[like >= 0]
    out = _tried(world, limits, like, rng)
    out.alerts[:] = 1
    _enter(limits, like, out, np.zeros(len(like), np.bool_), rng)
    out.infusion = chosen.copy()
    _time(out, inf.start[chosen], rng)
    out.decided_at[:] = -1
    out.outcome[:] = LEFT
    out.final[:] = -1
    _form(world, out)
    return out


def warn_of_weights(world: World, sessions: Ints) -> Attempts:
    """Return one attempt a session whose weight was typed in pounds: warned about, and overridden.

    The pump warns before anything else is chosen, and names no channel.
    """
    inf, s, m = world.infusions, world.sessions, len(sessions)
    first = np.array(
        [int(np.flatnonzero((inf.session == x) & (inf.place == 0))[0]) for x in sessions], np.int64
    )
    plan = [world.scenario.care_area[int(a)].weight_kg for a in s.area[sessions]]
    limit = np.array([round(mean + 2.5 * spread) * 1000 for mean, spread in plan], np.int64)
    alerts = np.full((m, MOST_ALERTS), -1, np.int64)
    alerts[:, 0] = s.weight_at[sessions] - 9
    entered = np.full((m, MOST_ALERTS), -1, np.int64)
    no, ones = np.zeros(m, np.bool_), np.ones(m, np.int64)
    return Attempts(
        first, first.copy(), np.full(m, AT_START), np.full(m, OVERRIDDEN), inf.start[first], ones, alerts,
        s.weight_at[sessions] - 4, entered, inf.rate[first].copy(), no, no.copy(), np.full(m, ROWS), limit,
    )  # fmt: skip


def join(first: Attempts, second: Attempts) -> Attempts:
    """Return the attempts of both, in order of time."""
    whole = Attempts(
        **{
            f.name: np.concatenate([getattr(first, f.name), getattr(second, f.name)])
            for f in fields(Attempts)
        }
    )
    order = np.lexsort((whole.infusion, whole.first_at))
    return Attempts(**{f.name: getattr(whole, f.name)[order] for f in fields(Attempts)})
