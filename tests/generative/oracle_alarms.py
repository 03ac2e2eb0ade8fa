"""Slow, obvious reading of alarms: events -> `alarms`, one event after the other.

Written from the rules of the domain alone; the number at a branch is the ruling it follows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from tests.generative.oracle import in_order
from tests.generative.oracle_attempts import Reader
from tests.generative.oracle_values import Event, InForce, Lookup, Row, get, is_patient_change, is_power_off

MINUTE = timedelta(seconds=60)
PRIORITIES = ("none", "low", "medium", "high")


@dataclass
class Alarm:
    """One alarm condition while it is put together."""

    first: Event
    kind: str
    alarm_id: str | None
    care_area: str | None
    infusion_id: str | None
    infusion_end: datetime | None
    clears: bool  # whether its source can log clearing
    raw: list[Event] = field(default_factory=list)  # raised and updated rows
    stopped: list[bool | None] = field(default_factory=list)
    silenced_at: datetime | None = None
    cleared_at: datetime | None = None
    last_raise: datetime = datetime.min
    over_at: datetime | None = None  # patient change after the last raise: ends it if no clearing comes
    gone: bool = False  # power went off: nothing can clear it any more

    @property
    def open(self) -> bool:
        """Whether a clearing may still come."""
        return self.cleared_at is None and not self.gone

    def censored_at(self, last: datetime) -> datetime:
        """12: the end of an alarm never cleared: power-off, patient change, infusion's end, log's end."""
        ends = [last]
        if self.over_at is not None:
            ends.append(self.over_at)
        if self.infusion_end is not None and self.infusion_end >= self.last_raise:
            ends.append(self.infusion_end)
        return min(ends)


def fits(alarm: Alarm, e: Event) -> bool:
    """Whether a row speaks of an alarm: by id, else (one of them has none) by kind."""
    if get(e, "alarm_id") is not None and alarm.alarm_id is not None:
        return bool(e["alarm_id"] == alarm.alarm_id)
    return alarm.kind == kind_of(e)


def kind_of(e: Event) -> str:
    """Return the alarm's kind; an unnamed one is 'other'."""
    return get(e, "alarm_kind") or "other"


def read_alarms(
    events: Sequence[Event],
    segments: Sequence[Row],
    infusions: Sequence[Row],
    records: Mapping[str, AbstractSet[str]],
) -> list[Row]:
    """Return the alarms of one pump, its events given in order.

    `records` tells which kinds each source can log; a source that it does not name is taken to log clearing.
    """
    channels = sorted({e["channel"] for e in events} | {""})
    look = {
        c: Lookup((s for s in segments if s["channel"] == c), (i for i in infusions if i["channel"] == c))
        for c in channels
    }
    now = {c: InForce() for c in channels}
    found: dict[str, list[Alarm]] = {c: [] for c in channels}
    last = max(e["occurred_at"] for e in events)
    on = False
    for e in events:
        for c in channels:
            if e["channel"] not in (c, "") and c != "":
                continue
            if is_power_off(e, on) and e["channel"] in (c, ""):
                for alarm in found[c]:
                    if alarm.open:
                        alarm.gone = True
                        alarm.over_at = min(alarm.over_at or e["occurred_at"], e["occurred_at"])
            if e["channel"] in (c, "") and is_patient_change(e, now[c]):
                for alarm in found[c]:
                    alarm.over_at = alarm.over_at or e["occurred_at"]
            now[c].apply(e, off=is_power_off(e, on))
        on = e["kind"] not in ("powered_off", "power_lost")
        if kind_of(e) == "limit_alert":
            continue  # 40: folded into the limit alerts, or itself one
        if e["kind"] in ("alarm_raised", "alarm_updated"):
            sounded(e, found, look, now, records)
        elif e["kind"] == "alarm_silenced":
            for alarm in silenced(e, found):
                alarm.silenced_at = alarm.silenced_at or e["occurred_at"]
        elif e["kind"] == "alarm_cleared":
            for alarm in [a for a in found[e["channel"]] if a.open and a.clears and fits(a, e)][:1]:
                alarm.cleared_at = e["occurred_at"]
    return [finish(a, last) for alarms in found.values() for a in alarms]


def silenced(e: Event, found: Mapping[str, list[Alarm]]) -> list[Alarm]:
    """Return the alarms that a silencing concerns: the one it names; naming none, all that sound there."""
    if get(e, "alarm_id") is not None or get(e, "alarm_kind") is not None:
        return [a for a in found[e["channel"]] if a.open and fits(a, e)][:1]
    return [a for c, alarms in found.items() if e["channel"] in (c, "") for a in alarms if a.open]


def sounded(
    e: Event,
    found: Mapping[str, list[Alarm]],
    look: Mapping[str, Lookup],
    now: Mapping[str, InForce],
    records: Mapping[str, AbstractSet[str]],
) -> None:
    """Take a raised or updated row: the same condition again, or a new one."""
    at, channel, is_raise = e["occurred_at"], e["channel"], e["kind"] == "alarm_raised"
    kinds = records.get(get(e, "source_name") or "")
    clears = kinds is None or bool(kinds & {"alarm_cleared", "all"})
    here = found[channel]
    alarm = None
    if not clears:
        # 12: only the distance from the last raise tells repeats from new alarms
        mute = [a for a in reversed(here) if not a.clears]
        if is_raise:
            alarm = next((a for a in mute if a.kind == kind_of(e) and at - a.last_raise <= MINUTE), None)
        else:
            alarm = next((a for a in mute if fits(a, e)), None)
    else:
        alarm = next((a for a in here if a.clears and a.open and fits(a, e)), None)
        if alarm is not None and is_raise and alarm.censored_at(datetime.max.replace(tzinfo=at.tzinfo)) < at:
            alarm.gone = True  # 12: a new raise after its end is a new alarm
            alarm = None
        if alarm is None:  # 39: a repeat within 60 s of clearing, same pump, channel and kind
            alarm = next(
                (
                    a
                    for a in reversed(here)
                    if a.kind == kind_of(e) and a.cleared_at is not None and at - a.cleared_at <= MINUTE
                    and not a.gone
                ),
                None,
            )  # fmt: skip
            if alarm is not None:
                alarm.cleared_at = None
                is_raise = True  # it sounds again
                alarm.alarm_id = get(e, "alarm_id") or alarm.alarm_id
    if alarm is None:
        segment = look[channel].before(at) or look[channel].after(at)
        infusion_id = segment["infusion_id"] if segment and channel_infusion(channel, look) else None
        infusion = look[channel].infusions.get(infusion_id) if infusion_id else None
        alarm = Alarm(
            e, kind_of(e), get(e, "alarm_id"), get(e, "care_area") or now[channel].care_area, infusion_id,
            infusion["ended_at"] if infusion else None, clears,
        )  # fmt: skip
        here.append(alarm)
    alarm.raw.append(e)
    if is_raise or len(alarm.raw) == 1:
        alarm.last_raise = at
        alarm.over_at = None
    alarm.stopped.append(stopped(e, at, channel, look))


def channel_infusion(channel: str, look: Mapping[str, Lookup]) -> bool:
    """41: a pump-level alarm has no infusion; on a pump that names no channel, '' is its channel."""
    return channel != "" or set(look) == {""}


def stopped(e: Event, at: datetime, channel: str, look: Mapping[str, Lookup]) -> bool | None:
    """Whether this row stopped a delivery; null where its effect or the state before is unknown."""
    stops = get(e, "stops_delivery")
    if stops is None and kind_of(e) == "low_battery":
        stops = False  # 18: stops nothing unless the log says it did
    lanes = [channel] if channel or set(look) == {""} else list(look)
    states = [look[c].delivered(look[c].before(at)) for c in lanes]
    ran = True if True in states else None if None in states else False
    if stops is False or ran is False:
        return False
    return True if stops and ran else None


def finish(a: Alarm, last: datetime) -> Row:
    """Return an alarm's row."""
    priorities = [p for r in a.raw if (p := get(r, "alarm_priority")) in PRIORITIES]
    ended = a.cleared_at if a.cleared_at is not None else a.censored_at(last)
    return {
        "alarm_id": a.first["event_id"],
        "facility": a.first["facility"],
        "pump_id": a.first["pump_id"],
        "channel": a.first["channel"],
        "infusion_id": a.infusion_id,
        "care_area": a.care_area,
        "raised_at": a.first["occurred_at"],
        "silenced_at": a.silenced_at,
        "cleared_at": a.cleared_at,
        "ended_at": ended if a.clears else None,
        "alarm_kind": a.kind,
        "alarm_priority": max(priorities, key=PRIORITIES.index) if priorities else None,
        "raw_count": len(a.raw),
        "stopped_delivery": True if True in a.stopped else None if None in a.stopped else False,
    }


def rebuild_second_half(
    events: Sequence[Event],
    segments: Sequence[Row],
    infusions: Sequence[Row],
    records: Mapping[str, AbstractSet[str]] | None = None,
) -> dict[str, list[Row]]:
    """Read a log's limit alerts and alarms.

    Parameters
    ----------
    events
        Events with all columns of the table `events`.
    segments, infusions
        What the log's infusions were rebuilt to.
    records
        source name -> kinds that it can log; a source that is not named can log all.

    Returns
    -------
    dict
        `programmings`, `attempts` and `alarms`, each a list of rows.
    """
    pumps: dict[tuple[str, str], list[Event]] = {}
    for e in events:
        pumps.setdefault((e["facility"], e["pump_id"]), []).append(e)
    out: dict[str, list[Row]] = {"programmings": [], "attempts": [], "alarms": []}
    for pump, rows in sorted(pumps.items()):
        ordered, _ = in_order(rows)
        own_segments = [s for s in segments if (s["facility"], s["pump_id"]) == pump]
        own_infusions = [i for i in infusions if (i["facility"], i["pump_id"]) == pump]
        attempts, programmings = Reader(ordered, own_segments, own_infusions).read()
        out["attempts"] += attempts
        out["programmings"] += programmings
        out["alarms"] += read_alarms(ordered, own_segments, own_infusions, records or {})
    return out
