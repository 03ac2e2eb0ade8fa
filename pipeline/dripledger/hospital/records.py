"""What the pumps logged: one row an event, in the order of each pump's own sequence."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from dripledger.hospital.attempts import (
    CANCELLED,
    MOST_ALERTS,
    ONE_ROW,
    OVERRIDDEN,
    OVERRIDE_ALONE,
    UNCHANGED,
)
from dripledger.hospital.attempts import WITHIN as WITHIN_LIMITS
from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.fleet import FAMILIES, Fleet
from dripledger.hospital.happenings import Happenings
from dripledger.hospital.world import (
    BY_SECONDARY,
    BY_USER,
    COMPLETED,
    HANDED_OVER,
    KEEP_OPEN_RATE_CENTI,
    KEPT_OPEN,
    MOST_CHANGES,
    REFILLED,
    STOPPED,
    SWITCHED_OFF,
    Infusions,
    World,
    rate_after,
    volume_at,
    wall,
)

#: Kinds, by their canonical names; the place in this list is the number in `Records.kind`.
KINDS = (
    "powered_on", "care_area_selected", "patient_changed", "weight_changed", "library_bypassed",
    "infusion_started", "rate_changed", "infusion_paused", "infusion_resumed", "infusion_completed",
    "kvo_started", "infusion_stopped", "volume_reported", "powered_off", "limit_alerted", "limit_overridden",
    "reprogrammed_within_limits", "attempt_cancelled", "alarm_raised", "alarm_updated", "alarm_silenced",
    "alarm_cleared", "bolus_started", "bolus_ended", "other",
)  # fmt: skip
(
    ON, AREA, PATIENT, WEIGHT, BYPASS, START, RATE, PAUSE, RESUME, COMPLETE, KEEP_OPEN, STOP, VOLUME, OFF,
    ALERT, OVERRIDE, WITHIN, CANCEL, ALARM, ALARM_UPDATE, SILENCE, CLEAR, BOLUS, BOLUS_END, OTHER,
) = range(len(KINDS))  # fmt: skip

#: Kinds that tell of an attempt, and of an alarm: `Records.about` is its place among all of them.
OF_ATTEMPTS, OF_ALARMS = (ALERT, OVERRIDE, WITHIN, CANCEL), (ALARM, ALARM_UPDATE, SILENCE, CLEAR)

#: A pump of family B reports its volume this often while it runs.
_REPORT_EVERY_S = 7200
_MOST_REPORTS = 8


@dataclass
class Records:
    """One array entry a record; sorted by pump, then by its sequence.

    `at` is the true instant. -1 stands for "not in this record" (`channel` 0: the whole pump, `infusion` -1:
    none). `unlogged` rows happened and were never written, and took no sequence number.
    """

    at: Ints
    pump: Ints
    session: Ints
    channel: Ints
    infusion: Ints
    kind: Ints
    rank: Ints  # order within one second
    rate: Ints
    to_infuse: Ints
    volume: Ints
    patient: Ints
    about: Ints  # of an alarm or an attempt: which one
    part: Ints  # of an attempt: which of its alerts; of an alarm: 1 where it sounds again
    sequence: Ints

    def take(self, rows: Ints | Flags) -> Records:
        """Return some of the records."""
        return Records(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    @property
    def size(self) -> int:
        """Number of records."""
        return len(self.at)


class Gatherer:
    """Collects records in any order."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._parts: list[dict[str, Ints]] = []

    def of_sessions(self, rows: Ints, at: Ints, kind: int, rank: int, patient: Ints | None = None) -> None:
        """Add one pump-level record for each of some sessions."""
        self._add(at, rows, np.zeros(len(rows), np.int64), np.full(len(rows), -1, np.int64), kind, rank,
                  patient=patient)  # fmt: skip

    def of_infusions(
        self,
        rows: Ints,
        seconds: Ints,
        kind: int,
        rank: int,
        rate: Ints | None = None,
        to_infuse: Ints | None = None,
        volume: Ints | None = None,
    ) -> None:
        """Add one record for each of some infusions, so many seconds after its start."""
        inf = self._world.infusions
        self._add(inf.start[rows] + seconds, inf.session[rows], inf.channel[rows], rows, kind, rank, rate,
                  to_infuse, volume)  # fmt: skip

    def of_things(
        self, rows: Ints, channel: Ints, at: Ints, kind: int, rank: int, about: Ints, part: Ints | int = 0
    ) -> None:
        """Add one record for each of some alarms or attempts of infusions (channel 0: the whole pump)."""
        parts = np.broadcast_to(np.asarray(part, np.int64), rows.shape).copy()
        self._add(at, self._world.infusions.session[rows], channel, rows, kind, rank, about=about, part=parts)

    def _add(
        self,
        at: Ints,
        session: Ints,
        channel: Ints,
        infusion: Ints,
        kind: int,
        rank: int,
        rate: Ints | None = None,
        to_infuse: Ints | None = None,
        volume: Ints | None = None,
        patient: Ints | None = None,
        about: Ints | None = None,
        part: Ints | None = None,
    ) -> None:
        none = np.full(len(at), -1, np.int64)
        self._parts.append({
            "at": at, "pump": self._world.sessions.pump[session], "session": session, "channel": channel,
            "infusion": infusion, "kind": np.full(len(at), kind, np.int64),
            "rank": np.full(len(at), rank, np.int64), "rate": none if rate is None else rate,
            "to_infuse": none if to_infuse is None else to_infuse,
            "volume": none if volume is None else volume, "patient": none if patient is None else patient,
            "about": none if about is None else about, "part": none if part is None else part,
        })  # fmt: skip

    def sorted(self) -> Records:
        """Return all records by pump and time, not yet numbered."""
        whole = {name: np.concatenate([p[name] for p in self._parts]) for name in self._parts[0]}
        order = np.lexsort((whole["channel"], whole["rank"], whole["at"], whole["pump"]))
        return Records(**{name: values[order] for name, values in whole.items()},
                       sequence=np.full(len(order), -1, np.int64))  # fmt: skip


def gather(world: World) -> Gatherer:
    """Collect what every pump would log if nothing went wrong."""
    out = Gatherer(world)
    s, inf = world.sessions, world.infusions
    every = np.arange(len(s.pump))
    out.of_sessions(every, s.start, ON, 0)
    with_area = np.flatnonzero(s.area >= 0)
    out.of_sessions(with_area, s.start[with_area] + 12 + with_area % 20, AREA, 1)
    new = np.flatnonzero(s.new_patient)
    out.of_sessions(new, s.start[new] + 35 + new % 20, PATIENT, 2, patient=s.patient[new])
    weighed = np.flatnonzero(s.weight_g >= 0)
    out.of_sessions(weighed, s.weight_at[weighed], WEIGHT, 3)
    out.of_sessions(every, s.end, OFF, 99)
    _delivery(world, out)
    rows = np.flatnonzero(world.fleet.family[s.pump[inf.session]] == 1)
    _volume_reports(world, out, rows)
    return out


def _delivery(world: World, out: Gatherer) -> None:
    inf = world.infusions
    zero = np.zeros(len(inf.start), np.int64)
    leaving = inf.handed & (inf.entry < 0)
    of_b = world.fleet.family[world.sessions.pump[inf.session]] != FAMILIES.index("A")
    # Leaving the library while running: family A writes one record with the rate, family B two.
    rows = np.flatnonzero(leaving & ~of_b)
    out.of_infusions(rows, zero[rows], BYPASS, 20, inf.rate[rows], inf.to_infuse[rows])
    rows = np.flatnonzero(leaving & of_b)
    out.of_infusions(rows, zero[rows], BYPASS, 20)
    rows = np.flatnonzero(~leaving | of_b)
    out.of_infusions(rows, zero[rows], START, 21, inf.rate[rows], inf.to_infuse[rows])
    of_c = world.fleet.family[world.sessions.pump[inf.session]] == FAMILIES.index("C")
    for i in range(MOST_CHANGES):
        rows = np.flatnonzero((inf.changes > i) & ~of_c)
        out.of_infusions(
            rows, wall(inf, rows, inf.change_at[rows, i]), RATE, 30 + i, inf.change_rate[rows, i]
        )
        rows = np.flatnonzero((inf.changes > i) & of_c)
        at = wall(inf, rows, inf.change_at[rows, i])
        out.of_infusions(rows, at, STOP, 30 + i)
        out.of_infusions(rows, at, START, 30 + i, inf.change_rate[rows, i])
    # in device messages whatever interrupts or ends a delivery is a stop
    rows = np.flatnonzero((inf.pause_at >= 0) & of_c)
    out.of_infusions(rows, inf.pause_at[rows], STOP, 19)
    rows = np.flatnonzero(np.isin(inf.ending, (SWITCHED_OFF, HANDED_OVER)) & of_c)
    out.of_infusions(rows, inf.length[rows], STOP, 19)
    rows = np.flatnonzero((inf.pause_at >= 0) & (inf.pause_cause == BY_USER) & ~of_c)
    out.of_infusions(rows, inf.pause_at[rows], PAUSE, 40)
    before = (inf.change_at <= inf.pause_at[:, None]).sum(axis=1)
    resumed = inf.pause_at + inf.pause_s
    rows = np.flatnonzero((inf.pause_at >= 0) & (inf.pause_cause != BY_SECONDARY) & ~of_c)
    out.of_infusions(rows, resumed[rows], RESUME, 29, rate_after(inf, before)[rows])
    # the primary line takes over again by a start of its own
    rows = np.flatnonzero((inf.pause_at >= 0) & ((inf.pause_cause == BY_SECONDARY) | of_c))
    out.of_infusions(rows, resumed[rows], START, 29, rate_after(inf, before)[rows])
    rows = np.flatnonzero(np.isin(inf.ending, (COMPLETED, KEPT_OPEN, REFILLED)))
    out.of_infusions(rows, inf.first_end[rows], COMPLETE, 50)
    rows = np.flatnonzero(inf.keep_open_s > 0)
    rate = np.full(len(rows), KEEP_OPEN_RATE_CENTI, np.int64)
    out.of_infusions(rows, inf.keep_open_at[rows], KEEP_OPEN, 51, rate)
    rows = np.flatnonzero(inf.ending == REFILLED)
    out.of_infusions(rows, inf.second_at[rows], START, 52, rate_after(inf, inf.changes)[rows],
                     inf.second_to_infuse[rows])  # fmt: skip
    rows = np.flatnonzero(np.isin(inf.ending, (STOPPED, KEPT_OPEN, REFILLED)))
    out.of_infusions(rows, inf.length[rows], STOP, 60)


def gather_happenings(happenings: Happenings, inf: Infusions, out: Gatherer) -> None:
    """Collect what pumps would log of limit alerts, alarms and boluses."""
    a, s, b = happenings.attempts, happenings.alarms, happenings.boluses
    every = np.arange(a.size)
    channel = np.where(a.weight_limit_g > 0, 0, inf.channel[a.infusion])  # a weight is of the whole pump
    for k in range(MOST_ALERTS):
        # an override row alone is all that such a pump writes
        rows = np.flatnonzero((a.alerts > k) & (a.form != OVERRIDE_ALONE))
        out.of_things(a.infusion[rows], channel[rows], a.alert_at[rows, k], ALERT, 10 + k, rows, k)
    decisions = ((OVERRIDDEN, OVERRIDE), (WITHIN_LIMITS, WITHIN), (CANCELLED, CANCEL), (UNCHANGED, CANCEL))
    for outcome, kind in decisions:
        rows = every[(a.outcome == outcome) & (a.decided_at >= 0) & (a.form != ONE_ROW)]
        out.of_things(a.infusion[rows], channel[rows], a.decided_at[rows], kind, 15, rows,
                      a.alerts[rows] - 1)  # fmt: skip
    for at, kind, rank, part in (
        (s.raised, ALARM, 37, 0), (s.updated, ALARM_UPDATE, 38, 0), (s.silenced, SILENCE, 39, 0),
        (s.cleared, CLEAR, 28, 0), (s.again, ALARM, 37, 1), (s.again_cleared, CLEAR, 28, 1),
    ):  # fmt: skip
        rows = np.flatnonzero(at >= 0)
        out.of_things(s.infusion[rows], s.channel[rows], at[rows], kind, rank, rows, part)
    out.of_infusions(b.infusion, b.begins, BOLUS, 33, b.rate)
    out.of_infusions(b.infusion, b.begins + b.lasts, BOLUS_END, 34)


def _volume_reports(world: World, out: Gatherer, rows: Ints) -> None:
    inf = world.infusions
    for i in range(1, _MOST_REPORTS + 1):
        running = np.full(len(inf.start), i * _REPORT_EVERY_S, np.int64)
        some = rows[inf.run_s[rows] > i * _REPORT_EVERY_S + 60]
        volume = np.maximum(1, np.round(volume_at(inf, running) * 0.998)).astype(np.int64)
        out.of_infusions(some, wall(inf, some, running[some]), VOLUME, 35, volume=volume[some])


def log(world: World, records: Records, unlogged: Flags, rng: np.random.Generator) -> Records:
    """Return what was written: nothing after the end of the logs or unlogged, each pump numbered in order."""
    written = records.take(~unlogged & (records.at < world.log_end))
    first = np.flatnonzero(np.diff(written.pump, prepend=-1))
    count = np.diff(np.append(first, written.size))
    begin = rng.integers(2_000, 90_000, world.fleet.size)
    place = np.arange(written.size) - np.repeat(first, count)
    written.sequence = begin[written.pump] + place
    return written


def late_messages(world: World, records: Records) -> Flags:
    """Return which records of device messages arrive hours late, behind newer ones."""
    share = world.scenario.fleet.late_message_share
    of_c = np.isin(records.pump, world.fleet.in_family("C"))
    late: Flags = of_c & ((records.at * 7919 + records.kind * 104729) % 10007 < share * 10007)
    return late


def device_reading(world: World, fleet: Fleet, records: Records) -> Ints:
    """Return what the pump's own clock showed, as seconds of its local time, its error included."""
    return world.calendar.reading(records.at + clock_error(world, fleet, records))


def clock_error(world: World, fleet: Fleet, records: Records) -> Ints:
    """Return pump minus true time for each record, seconds."""
    fast = (records.pump == fleet.fast) & (records.at >= fleet.clock_from)
    error: Ints = np.where(fast, world.scenario.planted.clock_fast_s, 0).astype(np.int64)
    return error


__all__ = ["KINDS", "Gatherer", "Records", "clock_error", "device_reading", "gather", "log"]
