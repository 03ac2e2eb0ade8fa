"""Slow, obvious reading of alarms: events -> `alarms`, one event after the other.

Written from the rules of the domain alone; the number at a branch is the ruling it follows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from tests.generative.oracle import in_order, kept_uses
from tests.generative.oracle_attempts import Reader
from tests.generative.oracle_values import Event, InForce, Lookup, Row, get, is_patient_change, is_power_off

MINUTE = timedelta(seconds=60)
PRIORITIES = ("none", "low", "medium", "high")


@dataclass
class Alarm:
    """One alarm condition while it is put together."""

    first: Event
    kind: str
    care_area: str | None
    infusion_id: str | None
    clears: bool  # whether its source can log clearing
    thread: tuple[str, str]  # what it is spoken of by: its id, else its kind
    raw: list[Event] = field(default_factory=list)  # raised and updated rows
    stopped: list[bool | None] = field(default_factory=list)
    silenced_at: datetime | None = None
    cleared_at: datetime | None = None
    last_raise: datetime = datetime.min
    infusion_end: datetime | None = None  # of the infusion in which it was last raised
    over_at: datetime | None = None  # patient change after the last raise: ends it if no clearing comes
    opened: int = 0  # which row of the log opened it, and which one sounded last
    sounded: int = 0
    gone: bool = False  # power went off, or it was raised anew after its end: nothing can clear it any more

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

    def over(self, at: datetime) -> bool:
        """12: whether it has ended without being cleared."""
        return self.censored_at(datetime.max.replace(tzinfo=at.tzinfo)) < at


@dataclass
class Channel:
    """What is known of one channel's alarms; on the empty channel those of the pump."""

    look: Lookup
    now: InForce = field(default_factory=InForce)
    alarms: list[Alarm] = field(default_factory=list)
    current: dict[tuple[str, str], Alarm] = field(default_factory=dict)  # thread -> its last alarm
    latest: dict[str, Alarm] = field(default_factory=dict)  # kind -> the alarm that began to sound last

    def open_in(self, thread: tuple[str, str]) -> Alarm | None:
        """Return the open alarm that a thread speaks of."""
        alarm = self.current.get(thread)
        return alarm if alarm is not None and alarm.open and alarm.thread == thread else None

    def open_alarms(self) -> list[Alarm]:
        """Return the open alarms that a clearing can reach, the one that was opened first first."""
        return sorted((a for a in self.alarms if a.open and a.clears), key=lambda a: a.opened)


def kind_of(e: Event) -> str:
    """Return the alarm's kind; an unnamed one is 'other'."""
    return get(e, "alarm_kind") or "other"


def names_nothing(e: Event) -> bool:
    """Whether a row gives neither id nor kind; an unmapped label is a kind: 'other'."""
    return get(e, "alarm_id") is None and get(e, "alarm_kind") is None


def meant_by(e: Event, channels: Mapping[str, Channel]) -> Alarm | None:
    """Return the open alarm that a row speaks of: what it names on its channel, else the only one it can be.

    The first that fits by name counts on the channel itself. What is not named there, or not at all, is only
    taken for the one alarm that it can be. Alarms that ended without a clearing (12) come after all others.
    """
    at, raises = e["occurred_at"], e["kind"] == "alarm_raised"
    sounds = raises or e["kind"] == "alarm_updated"
    own = channels[e["channel"]].open_alarms()
    if names_nothing(e) and not raises:
        there = own if e["channel"] else [a for c in channels.values() for a in c.open_alarms()]
        there = [a for a in there if not a.over(at)] or there
        if sounds and there:
            return max(there, key=lambda a: a.sounded)
        return there[0] if len(there) == 1 else None
    named, kind = get(e, "alarm_id"), kind_of(e)
    if named is not None:
        fit = [a for a in own if a.thread == ("id", named)]
        if not fit and not sounds:
            fit = [a for a in own if a.thread == ("kind", kind)]
    else:
        fit = [a for a in own if a.kind == kind and not (raises and a.over(at) and a.thread[0] == "id")]
    if fit:
        return next((a for a in fit if not a.over(at)), fit[0])
    if e["channel"] or raises:
        return None
    others = [a for name, c in channels.items() if name for a in c.open_alarms()]
    fit = [a for a in others if named is not None and a.thread == ("id", named)]
    if not fit and get(e, "alarm_kind") is not None:
        fit = [a for a in others if a.kind == kind and (named is None or a.thread[0] == "kind")]
    fit = [a for a in fit if not a.over(at)] or fit
    return fit[0] if len(fit) == 1 else None


def read_alarms(
    events: Sequence[Event],
    segments: Sequence[Row],
    infusions: Sequence[Row],
    records: Mapping[str, AbstractSet[str]],
) -> list[Row]:
    """Return the alarms of one pump, its events given in order.

    `records` tells which kinds each source can log; a source that it does not name is taken to log clearing.
    """
    names = sorted({e["channel"] for e in events} | {""})
    channels = {
        c: Channel(
            Lookup((s for s in segments if s["channel"] == c), (i for i in infusions if i["channel"] == c))
        )
        for c in names
    }
    pump = InForce()  # what any row of the pump said last: the care area of what belongs to no channel
    last = max(e["occurred_at"] for e in events)
    on = False
    for number, e in enumerate(events, start=1):
        off = is_power_off(e, on)
        pump.apply(e, off=off)
        for name, channel in channels.items():
            if e["channel"] not in (name, ""):
                continue
            if off:
                for alarm in channel.alarms:
                    if alarm.open:
                        alarm.gone = True
                        alarm.over_at = min(alarm.over_at or e["occurred_at"], e["occurred_at"])
            if is_patient_change(e, channel.now):
                for alarm in channel.alarms:
                    alarm.over_at = alarm.over_at or e["occurred_at"]
            channel.now.apply(e, off=off)
        on = e["kind"] not in ("powered_off", "power_lost")
        if kind_of(e) == "limit_alert":
            continue  # 40: folded into the limit alerts, or itself one
        if e["kind"] in ("alarm_raised", "alarm_updated"):
            area = get(e, "care_area") or (channels[e["channel"]].now if e["channel"] else pump).care_area
            sounded(e, number, area, channels, records)
        elif e["kind"] == "alarm_silenced":
            for alarm in silenced(e, channels):
                alarm.silenced_at = alarm.silenced_at or e["occurred_at"]
        elif e["kind"] == "alarm_cleared":
            cleared = meant_by(e, channels)
            if cleared is not None:
                cleared.cleared_at = e["occurred_at"]
    return [finish(a, last) for channel in channels.values() for a in channel.alarms]


def silenced(e: Event, channels: Mapping[str, Channel]) -> list[Alarm]:
    """Return the alarms that a silencing concerns: the one it names; naming none, all that sound there."""
    if not names_nothing(e):
        fit = (meant_by(e, channels), channels[e["channel"]].open_in(("mute", kind_of(e))))
        return sorted((a for a in fit if a is not None), key=lambda a: a.opened)[:1]
    return [
        alarm
        for name, channel in channels.items()
        if e["channel"] in (name, "")
        for thread in channel.current
        if (alarm := channel.open_in(thread)) is not None
    ]


def sounded(
    e: Event,
    number: int,
    area: str | None,
    channels: Mapping[str, Channel],
    records: Mapping[str, AbstractSet[str]],
) -> None:
    """Take a raised or updated row: the same condition again, or a new one."""
    at, here, raises = e["occurred_at"], channels[e["channel"]], e["kind"] == "alarm_raised"
    kinds = records.get(get(e, "source_name") or "")
    clears = kinds is None or bool(kinds & {"alarm_cleared", "all"})
    own = ("kind", kind_of(e)) if get(e, "alarm_id") is None else ("id", e["alarm_id"])
    thread = own if clears else ("mute", kind_of(e))
    begins = False
    if not clears:
        # 12: only the distance from the last raise tells repeats from new alarms
        alarm = here.current.get(thread)
        if alarm is not None and raises and at - alarm.last_raise > MINUTE:
            alarm = None
    else:
        alarm = meant_by(e, channels)
        thread = thread if alarm is None else alarm.thread
        if alarm is not None and raises and alarm.over(at):
            alarm.gone = True  # 12: a new raise after its end is a new alarm
            alarm = None
        if alarm is None:  # 39: the one of its kind that began last, cleared at most 60 s ago, sounds again
            before = here.latest.get(kind_of(e))
            if before is not None and before.cleared_at is not None and at - before.cleared_at <= MINUTE:
                alarm = before
                alarm.cleared_at, alarm.thread, alarm.opened = None, thread, number
                raises = begins = True
    segment = here.look.before(at) or here.look.after(at)
    infusion_id = segment["infusion_id"] if segment and channel_infusion(e["channel"], channels) else None
    if alarm is None:
        alarm = Alarm(e, kind_of(e), area, infusion_id, clears, thread, opened=number)
        here.alarms.append(alarm)
        raises = begins = True
    if alarm.first["channel"] == e["channel"]:
        here.current[thread] = alarm
    alarm.sounded = number
    if clears and begins:
        here.latest[alarm.kind] = alarm
    alarm.raw.append(e)
    if raises:
        infusion = here.look.infusions.get(infusion_id) if infusion_id else None
        alarm.last_raise = at
        alarm.over_at = None
        alarm.infusion_end = infusion["ended_at"] if infusion else None
    alarm.stopped.append(stopped(e, at, e["channel"], {c: channel.look for c, channel in channels.items()}))


def channel_infusion(channel: str, channels: Mapping[str, Channel]) -> bool:
    """41: a pump-level alarm has no infusion; on a pump that names no channel, '' is its channel."""
    return channel != "" or set(channels) == {""}


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
        attempts, programmings = Reader(ordered, own_segments, own_infusions, kept_uses(rows)).read()
        out["attempts"] += attempts
        out["programmings"] += programmings
        out["alarms"] += read_alarms(ordered, own_segments, own_infusions, records or {})
    return out
