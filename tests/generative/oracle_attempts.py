"""Slow, obvious reading of limit alerts: events -> `attempts` and `programmings`, one event after the other.

Written from the rules of the domain alone, so that it can disagree with the product's SQL. The number at a
branch is the ruling it follows.
"""

from __future__ import annotations

from collections.abc import Sequence
from collections.abc import Set as AbstractSet

from tests.generative.oracle_values import (
    ACTIVITY,
    ALARM_ECHO,
    ATTEMPT_ROWS,
    CONFIRMING,
    DECISION_OF_KIND,
    IN_LIBRARY,
    NO_GAP,
    TEN_MINUTES,
    Event,
    InForce,
    Lookup,
    Row,
    by_user,
    decision_of,
    get,
    id_on,
    is_patient_change,
    is_power_off,
    new_values,
    programmed,
)
from tests.generative.oracle_verdicts import Attempt, Ending, Judge, Lane

#: Outcomes of attempts after which nothing new was programmed in the library.
NO_PROGRAMME = ("unchanged", "left_library")


def folded_alarms(events: Sequence[Event]) -> set[str]:
    """Return the ids of raised alarms that only repeat a limit alert of that channel (40)."""
    alerts = [e for e in events if e["kind"] == "limit_alerted"]
    return {
        a["event_id"]
        for a in events
        if a["kind"] == "alarm_raised"
        and get(a, "alarm_kind") == "limit_alert"
        and any(
            abs(a["occurred_at"] - e["occurred_at"]) <= ALARM_ECHO
            and ("" in (a["channel"], e["channel"]) or a["channel"] == e["channel"])
            for e in alerts
        )
    }


def is_users_stop(e: Event) -> bool:
    """Whether a person stopped the delivery: neither the pump nor, by the log's own word, an alarm."""
    return e["kind"] == "infusion_stopped" and by_user(e) and not get(e, "stops_delivery")


class Reader:
    """Walks through one pump's log."""

    def __init__(
        self,
        events: Sequence[Event],
        segments: Sequence[Row],
        infusions: Sequence[Row],
        kept: AbstractSet[tuple[str, str]] = frozenset(),
    ) -> None:
        self.events = list(events)
        self.kept = kept  # channel and id of rows of unknown library use that go on under the use in force
        self.folded = folded_alarms(events)
        names = sorted({e["channel"] for e in events if e["channel"]})
        self.lanes = {
            c: Lane(
                InForce(),
                Lookup(
                    (s for s in segments if s["channel"] == c), (i for i in infusions if i["channel"] == c)
                ),
            )
            for c in [*names, ""]
        }
        self.named = bool(names)
        self.whole = InForce()  # what any row of the pump said last: for what belongs to no channel
        self.finished: list[tuple[Lane, Attempt, Ending]] = []
        self.programmings: list[Row] = []
        self.confirmed: dict[tuple[str, str], Row] = {}  # (channel, event_id) -> its programming

    # -- which rows are alerts, and whose ---------------------------------------------------------------

    def is_alert(self, e: Event) -> bool:
        """Whether a row is a limit alert: logged as one, or as an alarm that repeats none (40)."""
        if e["kind"] == "limit_alerted":
            return True
        return (
            e["kind"] == "alarm_raised"
            and get(e, "alarm_kind") == "limit_alert"
            and e["event_id"] not in self.folded
        )

    def lane_of_alert(self, index: int) -> str:
        """Return the channel a limit alert belongs to (37)."""
        e = self.events[index]
        if e["channel"]:
            return str(e["channel"])
        for later in self.events[index + 1 :]:
            if later["occurred_at"] - e["occurred_at"] > TEN_MINUTES:
                continue
            if later["channel"] and (
                self.is_alert(later)
                or later["kind"] in ("limit_overridden", "reprogrammed_within_limits")
                or (later["kind"] in CONFIRMING and by_user(later))
            ):
                return str(later["channel"])
        return ""

    def lanes_of(self, index: int) -> list[str]:
        """Return the channels that a row concerns; a pump-level row concerns them all."""
        e = self.events[index]
        if self.is_alert(e):
            return [self.lane_of_alert(index)]
        if e["channel"]:
            return [e["channel"]]
        if e["kind"] in ("limit_overridden", "reprogrammed_within_limits"):
            waiting = [
                c for c, lane in self.lanes.items() if lane.open and not is_patient_change(e, lane.now)
            ]
            return waiting or [self.lane_of_alert(index)]
        return list(self.lanes)

    # -- the walk ---------------------------------------------------------------------------------------

    def read(self) -> tuple[list[Row], list[Row]]:
        """Walk, then judge each attempt with the whole log in view."""
        on = False
        for index, e in enumerate(self.events):
            for lane in self.lanes.values():
                if lane.open and e["occurred_at"] - lane.open.last_activity > TEN_MINUTES:
                    self.time_out(lane)  # 35
            concerned = self.lanes_of(index)
            off = is_power_off(e, on)
            self.whole.apply(e, off=off)
            for channel, lane in self.lanes.items():
                if channel in concerned or e["channel"] == "":
                    self.step(index, e, channel, lane, off, channel in concerned)
            on = e["kind"] not in ("powered_off", "power_lost")
        for lane in self.lanes.values():
            if lane.open:
                self.time_out(lane)  # the log ends first: as a time-out, until more of it arrives
        attempts = []
        for lane, attempt, end in self.finished:
            attempts.append(Judge(lane, attempt, end).row())
            self.link_programming(attempt, end, attempts[-1])
        return attempts, self.programmings

    def time_out(self, lane: Lane) -> None:
        assert lane.open is not None
        index, _, now = lane.log[-1]
        end = Ending("timed_out", lane.open.last_activity, index, before=now, after=now)
        self.finished.append((lane, lane.open, end))
        lane.open = None

    def step(self, index: int, e: Event, channel: str, lane: Lane, off: bool, concerned: bool) -> None:
        """Take one row on one channel; not `concerned`: an alert or decision that belongs to another.

        What else such a row says, a patient above all, holds for every channel.
        """
        lane.now = lane.now.seen_by(e)
        at, before = e["occurred_at"], InForce(**vars(lane.now))
        if lane.open and (off or is_patient_change(e, before)):
            self.end(lane, Ending("power_or_patient", at, index, e, before, before))
        opened = lane.look.infusions.get(id_on(e, channel))
        segment = lane.look.before(at)
        lane.now.apply(
            e,
            opens=opened is not None and opened["start_kind"] == "missing",
            off=off,
            at_once=e["kind"] == "library_bypassed"
            and get(e, "rate_ml_h") is not None
            and segment is not None
            and segment["state"] in ("running", "bolus"),
            keeps_use=(channel, e["event_id"]) in self.kept,
        )
        after = InForce(**vars(lane.now))
        lane.log.append((index, e, after))
        if not concerned:
            return

        decision = decision_of(e)
        alert = self.is_alert(e)
        if alert or decision in ("overridden", "within_limits"):
            self.alert_or_decision(index, e, channel, lane, alert, before)
        elif lane.open and decision:
            lane.open.rows.append((index, e))
        elif lane.open:
            lane.open.others.append((index, e))
        if lane.open:
            if (e["kind"] in ACTIVITY and by_user(e)) or alert or decision in ("overridden", "within_limits"):
                lane.open.last_activity = at
            if e["kind"] in DECISION_OF_KIND:  # 31: a decision in the alert's own row has no time of its own
                lane.open.decision_row = e
            if get(e, "entry") is not None and (e["kind"] in ATTEMPT_ROWS or e["kind"] in ACTIVITY):
                lane.open.entry = e["entry"]  # 38: the last one named

        confirmed = e["kind"] in CONFIRMING and by_user(e)
        if confirmed:
            self.note_programming(e, channel, lane, before, after)
        if lane.open:
            if confirmed:
                refill = after.secondary in lane.completed
                self.end(lane, Ending("confirmed", at, index, e, before, after, refill))
            elif decision == "cancelled":
                self.end(lane, Ending("cancelled", at, index, e, before, after))
            elif decision == "left_library":
                self.end(lane, Ending("left", at, index, e, before, after))
            elif is_users_stop(e) and not self.start_follows(index, e):
                self.end(lane, Ending("stopped", at, index, e, before, after))  # 35
        if e["kind"] in ("infusion_completed", "kvo_started"):
            lane.completed |= {after.secondary}
        elif e["kind"] in ("infusion_started", "infusion_resumed", "infusion_paused"):
            lane.completed -= {after.secondary}

    def start_follows(self, index: int, e: Event) -> bool:
        """Whether a stop only pauses: the next start has no gap, or continues the infusion in time (20)."""
        for later in self.events[index + 1 :]:
            if (
                later["kind"] in ("infusion_started", "infusion_resumed")
                and later["channel"] == e["channel"]
                and by_user(later)
            ):
                gap = later["occurred_at"] - e["occurred_at"]
                begins = any(id_on(later, c) in lane.look.infusions for c, lane in self.lanes.items())
                return gap <= NO_GAP or (gap <= TEN_MINUTES and not begins)
        return False

    def alert_or_decision(
        self, index: int, e: Event, channel: str, lane: Lane, alert: bool, before: InForce
    ) -> None:
        if lane.open is None:
            running = lane.look.delivered(lane.look.before(e["occurred_at"]))
            area = get(e, "care_area") or (before if channel else self.whole).care_area
            lane.open = Attempt(
                channel, e, area, before.entry,
                get(e, "entry") or before.entry, "change" if running else "start",
            )  # fmt: skip
            alert = True  # 36: a decision row with no alert open is both
        elif not alert:
            alert = lane.open.is_new_alert(e)  # 36
        elif get(e, "alert_id") is not None:
            alert = e["alert_id"] not in {get(r, "alert_id") for _, r in lane.open.rows}  # told twice
        lane.open.rows.append((index, e))
        if alert:
            lane.open.alert_rows.append((index, e))
            lane.open.last_alert = (index, e["occurred_at"])

    def end(self, lane: Lane, ending: Ending) -> None:
        assert lane.open is not None
        self.finished.append((lane, lane.open, ending))
        lane.open = None

    # -- programmings -----------------------------------------------------------------------------------

    def note_programming(self, e: Event, channel: str, lane: Lane, before: InForce, after: InForce) -> None:
        """Note a confirmed in-library start, change or bolus."""
        said = get(e, "library_use") if e["kind"] == "bolus_started" else None
        use = after.library_use if said in (None, "unknown") else said
        if use not in IN_LIBRARY or (channel == "" and self.named and e["channel"] == ""):
            return
        begins = lane.look.infusions.get(id_on(e, channel))
        if e["kind"] == "bolus_started":
            phase = "bolus"
        elif e["kind"] in ("infusion_started", "infusion_resumed"):
            phase = "start" if begins else "change"
        else:
            as_start = ("start", "entry_changed", "concentration_changed", "entered_library")
            phase = "start" if begins and begins["start_kind"] in as_start else "change"
        value, unit = programmed(e, after)
        row = {
            "programming_id": id_on(e, channel),
            "infusion_id": lane.look.of_event(e, channel),
            "at": e["occurred_at"],
            "phase": phase,
            "care_area": get(e, "care_area") or after.care_area,
            "entry": get(e, "entry") or after.entry,
            "value": value,
            "unit": unit,
            "attempt_id": None,
        }
        self.confirmed[channel, e["event_id"]] = row
        if phase != "change" or begins or new_values(e, before):
            self.programmings.append(row)

    def link_programming(self, a: Attempt, end: Ending, row: Row) -> None:
        """Give every attempt its one programming: what was confirmed, else itself (38)."""
        confirmed = None
        if end.how == "confirmed" and end.event is not None and row["outcome"] not in NO_PROGRAMME:
            confirmed = self.confirmed.get((a.lane, end.event["event_id"]))
        if confirmed is not None:
            if confirmed not in self.programmings:
                self.programmings.append(confirmed)
            confirmed["attempt_id"] = row["attempt_id"]
            return
        self.programmings.append({
            "programming_id": row["attempt_id"],
            "infusion_id": row["infusion_id"],
            "at": row["first_alert_at"],
            "phase": a.phase,
            "care_area": row["care_area"],
            "entry": row["entry"],
            "value": row["entered_first"],
            "unit": row["limit_unit"],
            "attempt_id": row["attempt_id"],
        })  # fmt: skip
