"""What the pumps logged: one row an event, in the order of each pump's own sequence."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.fleet import Fleet
from dripledger.hospital.world import (
    COMPLETED,
    KEEP_OPEN_RATE_CENTI,
    KEPT_OPEN,
    MOST_CHANGES,
    REFILLED,
    STOPPED,
    World,
    rate_after,
    volume_at,
)

#: Kinds, by their canonical names; the place in this list is the number in `Records.kind`.
KINDS = (
    "powered_on", "care_area_selected", "patient_changed", "weight_changed", "library_bypassed",
    "infusion_started", "rate_changed", "infusion_paused", "infusion_resumed", "infusion_completed",
    "kvo_started", "infusion_stopped", "volume_reported", "powered_off", "other",
)  # fmt: skip
(
    ON, AREA, PATIENT, WEIGHT, BYPASS, START, RATE, PAUSE, RESUME, COMPLETE, KEEP_OPEN, STOP, VOLUME, OFF,
    OTHER,
) = range(len(KINDS))  # fmt: skip

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
    ) -> None:
        none = np.full(len(at), -1, np.int64)
        self._parts.append({
            "at": at, "pump": self._world.sessions.pump[session], "session": session, "channel": channel,
            "infusion": infusion, "kind": np.full(len(at), kind, np.int64),
            "rank": np.full(len(at), rank, np.int64), "rate": none if rate is None else rate,
            "to_infuse": none if to_infuse is None else to_infuse,
            "volume": none if volume is None else volume, "patient": none if patient is None else patient,
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
    of_b = world.fleet.family[world.sessions.pump[inf.session]] == 1
    # Leaving the library while running: family A writes one record with the rate, family B two.
    rows = np.flatnonzero(leaving & ~of_b)
    out.of_infusions(rows, zero[rows], BYPASS, 20, inf.rate[rows], inf.to_infuse[rows])
    rows = np.flatnonzero(leaving & of_b)
    out.of_infusions(rows, zero[rows], BYPASS, 20)
    rows = np.flatnonzero(~leaving | of_b)
    out.of_infusions(rows, zero[rows], START, 21, inf.rate[rows], inf.to_infuse[rows])
    for i in range(MOST_CHANGES):
        rows = np.flatnonzero(inf.changes > i)
        out.of_infusions(
            rows, wall(world, rows, inf.change_at[rows, i]), RATE, 30 + i, inf.change_rate[rows, i]
        )
    rows = np.flatnonzero(inf.pause_at >= 0)
    out.of_infusions(rows, inf.pause_at[rows], PAUSE, 40)
    before = (inf.change_at <= inf.pause_at[:, None]).sum(axis=1)
    resumed = inf.pause_at[rows] + inf.pause_s[rows]
    out.of_infusions(rows, resumed, RESUME, 29, rate_after(inf, before)[rows])
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


def wall(world: World, rows: Ints, running: Ints) -> Ints:
    """Turn running seconds of the first leg into seconds since the start."""
    inf = world.infusions
    after = (inf.pause_at[rows] >= 0) & (running > inf.pause_at[rows])
    moved: Ints = running + np.where(after, inf.pause_s[rows], 0)
    return moved


def _volume_reports(world: World, out: Gatherer, rows: Ints) -> None:
    inf = world.infusions
    for i in range(1, _MOST_REPORTS + 1):
        running = np.full(len(inf.start), i * _REPORT_EVERY_S, np.int64)
        some = rows[inf.run_s[rows] > i * _REPORT_EVERY_S + 60]
        volume = np.maximum(1, np.round(volume_at(inf, running) * 0.998)).astype(np.int64)
        out.of_infusions(some, wall(world, some, running[some]), VOLUME, 35, volume=volume[some])


def log(world: World, records: Records, unlogged: Flags, rng: np.random.Generator) -> Records:
    """Return what was written: nothing after the end of the logs or unlogged, each pump numbered in order."""
    written = records.take(~unlogged & (records.at < world.log_end))
    first = np.flatnonzero(np.diff(written.pump, prepend=-1))
    count = np.diff(np.append(first, written.size))
    begin = rng.integers(2_000, 90_000, world.fleet.size)
    place = np.arange(written.size) - np.repeat(first, count)
    written.sequence = begin[written.pump] + place
    return written


def device_reading(world: World, fleet: Fleet, records: Records) -> Ints:
    """Return what the pump's own clock showed, as seconds of its local time, its error included."""
    return world.calendar.reading(records.at + clock_error(world, fleet, records))


def clock_error(world: World, fleet: Fleet, records: Records) -> Ints:
    """Return pump minus true time for each record, seconds."""
    fast = (records.pump == fleet.fast) & (records.at >= fleet.clock_from)
    error: Ints = np.where(fast, world.scenario.planted.clock_fast_s, 0).astype(np.int64)
    return error


__all__ = ["KINDS", "Gatherer", "Records", "clock_error", "device_reading", "gather", "log"]
