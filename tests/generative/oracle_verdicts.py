"""What became of an attempt, judged with the whole log in view: the second half of the attempts' oracle.

The number at a branch is the ruling it follows.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from tests.generative.oracle_units import convert, same
from tests.generative.oracle_values import (
    CONFIRMING,
    DECISION_OF_KIND,
    IN_LIBRARY,
    TEN_MINUTES,
    Event,
    InForce,
    Lookup,
    Row,
    by_user,
    decision_of,
    get,
    held_value,
    id_on,
    is_patient_change,
    multiple,
    new_values,
    outside,
    own_value,
)


@dataclass
class Attempt:
    """One human effort that drew limit alerts, while it goes on."""

    lane: str
    first: Event
    care_area: str | None
    entry: str | None
    entry_at_first: str | None
    phase: str
    rows: list[tuple[int, Event]] = field(default_factory=list)  # alerts and decisions
    others: list[tuple[int, Event]] = field(default_factory=list)  # all else that was logged inside it
    alert_rows: list[tuple[int, Event]] = field(default_factory=list)
    last_activity: datetime = datetime.min
    last_alert: tuple[int, datetime] = (0, datetime.min)
    decision_row: Event | None = None

    def undecided(self) -> int:
        """Return how many alerts no decision row has answered yet."""
        count = 0
        for numbered in self.rows:
            row = numbered[1]
            count += numbered in self.alert_rows
            if decision_of(row) in ("overridden", "within_limits"):
                count = max(0, count - 1)
        return count

    def is_new_alert(self, e: Event) -> bool:
        """Whether an override or within-limits row is alert and decision in one (36)."""
        if get(e, "alert_id") is not None and e["alert_id"] in {get(r, "alert_id") for _, r in self.rows}:
            return False
        return self.undecided() == 0


@dataclass
class Lane:
    """One channel of one pump."""

    now: InForce
    look: Lookup
    open: Attempt | None = None
    #: Lines (True: the secondary's) whose last delivery was completed or kept open: a start is a refill.
    completed: set[bool] = field(default_factory=set)
    log: list[tuple[int, Event, InForce]] = field(default_factory=list)  # every row with the values after it


@dataclass
class Ending:
    """How an attempt ended."""

    how: str  # confirmed, cancelled, left, stopped, power_or_patient, timed_out
    at: datetime
    index: int
    event: Event | None = None
    before: InForce | None = None  # values in force just before
    after: InForce | None = None
    refill: bool = False


@dataclass
class Verdict:
    """What is known of one quantity: what the log says was decided, and the final value."""

    decision: str | None
    value: float | None
    unit: str | None

    def value_in(self, unit: str | None) -> float | None:
        """Return the final value in another unit."""
        return convert(self.value, self.unit, unit)


def limit_kind(r: Event) -> str | None:
    """Return soft or hard; only a soft limit can be confirmed past, so an override says soft."""
    return get(r, "limit_kind") or ("soft" if decision_of(r) == "overridden" else None)


class Judge:
    """Judges one attempt that has ended."""

    def __init__(self, lane: Lane, attempt: Attempt, end: Ending) -> None:
        self.lane, self.a, self.end = lane, attempt, end
        self.limits = self.limits_that_hold()
        self.decided = self.decisions()
        self.verdicts = {q: self.verdict(q) for q in {get(r, "limit_quantity") for _, r in attempt.rows}}
        find = lane.look.after if end.how == "timed_out" else lane.look.before
        self.ran = lane.look.delivered(find(end.at))  # null: nobody can know

    def row(self) -> Row:
        """Return the attempt's row."""
        a = self.a
        outcome, infusion_id = self.outcome()
        chosen = self.chosen_limit(outcome)
        quantity, unit = get(chosen, "limit_quantity"), get(chosen, "limit_unit")
        side, limit = get(chosen, "limit_side"), get(chosen, "limit_value")
        first = self.entered_first(quantity, unit)
        confirmed = self.something_confirmed(outcome)
        final = self.entered_final(outcome, quantity, unit) if confirmed else None
        return {
            "attempt_id": id_on(a.first, a.lane),
            "infusion_id": infusion_id,
            "facility": a.first["facility"],
            "pump_id": a.first["pump_id"],
            "channel": a.lane,
            "care_area": a.care_area,
            "entry": a.entry,
            "first_alert_at": a.first["occurred_at"],
            "last_alert_at": a.last_alert[1],
            "decided_at": self.decided_at(),
            "alerts": len(a.alert_rows),
            "met_soft": any(limit_kind(r) == "soft" for _, r in a.rows),
            "met_hard": any(limit_kind(r) == "hard" for _, r in a.rows),
            "limit_side": side,
            "limit_quantity": quantity,
            "limit_value": limit,
            "limit_unit": unit,
            "entered_first": first,
            "entered_final": final,
            "limit_multiple": multiple(final if outcome == "overridden" else first, side, limit),
            "change_factor": self.change_factor(outcome, quantity, unit, first, final, confirmed),
            "outcome": outcome,
            "reversed": outcome == "overridden" and self.reversed_later(chosen),
        }

    # -- what the rows say ------------------------------------------------------------------------------

    def limits_that_hold(self) -> list[Event]:
        """Return the latest limit of each kind, side and quantity that applies to what was confirmed (34)."""
        area = self.end.after.care_area if self.end.after else None
        found: dict[tuple[Any, ...], Event] = {}
        for numbered in self.a.rows:
            r = numbered[1]
            if r["kind"] in ("attempt_cancelled", "library_bypassed"):
                continue
            key_row = r["kind"] in DECISION_OF_KIND and numbered not in self.a.alert_rows
            if key_row and get(r, "limit_value") is None:
                continue  # it brings no limit of its own
            if get(r, "entry") is not None and self.a.entry is not None and r["entry"] != self.a.entry:
                continue  # the limit of an entry that was given up
            if get(r, "care_area") is not None and area is not None and r["care_area"] != area:
                continue
            key = (limit_kind(r), get(r, "limit_side"), get(r, "limit_quantity"))
            found.pop(key, None)
            found[key] = r
        return list(found.values())

    def decisions(self) -> dict[str | None, tuple[str, Event]]:
        """Return the last override or within-limits decision on each quantity, and the row with its value."""
        waiting: dict[str | None, Event] = {}
        decided: dict[str | None, tuple[str, Event]] = {}
        last_alert: dict[str | None, Event] = {}
        for numbered in self.a.rows:
            r = numbered[1]
            quantity, decision = get(r, "limit_quantity"), decision_of(r)
            if numbered in self.a.alert_rows or r["kind"] not in DECISION_OF_KIND:
                waiting[quantity] = r
                last_alert.pop(quantity, None)  # so that the one alerted last stands last
                last_alert[quantity] = r
            if decision not in ("overridden", "within_limits"):
                continue
            by_id = [
                get(o, "limit_quantity")
                for _, o in self.a.alert_rows
                if get(r, "alert_id") is not None and get(o, "alert_id") == r["alert_id"]
            ]
            if quantity is not None or r["kind"] not in DECISION_OF_KIND:
                # an alert of unknown limit is answered by whichever row names the limit
                about = [quantity, *([None] if None in waiting and quantity is not None else [])]
            elif by_id:
                about = by_id[:1]
            else:  # a key row that names no quantity answers every alert that waits, else the last one
                about = list(waiting) or list(last_alert)[-1:]
            for q in about:
                told = r if get(r, "entered_value") is not None else last_alert.get(q, r)
                decided[q] = (decision, told if decision == "overridden" else r)
                waiting.pop(q, None)
        return decided

    def verdict(self, quantity: str | None) -> Verdict:
        """Return what is known of a quantity: its confirmed value, from the surest row that has it."""
        rows = [(i, r) for i, r in self.a.rows if get(r, "limit_quantity") == quantity]
        holding = [r for r in self.limits if get(r, "limit_quantity") == quantity]
        unit = next((u for r in [*holding, *(r for _, r in rows)] if (u := get(r, "limit_unit"))), None)
        decision, told = self.decided.get(quantity, (None, None))
        event, after = self.end.event, self.end.after
        confirmed = self.end.how == "confirmed" and event is not None and after is not None
        value = None
        if confirmed:
            value = own_value(event, quantity, unit, after)  # type: ignore[arg-type]
            for i, other in self.a.others if value is None else ():
                if i > rows[-1][0] and other is not event:
                    named = own_value(other, quantity, unit, after)  # type: ignore[arg-type]
                    value = named if named is not None else value
        if value is None and told is not None and get(told, "entered_value") is not None:
            value = convert(told["entered_value"], get(told, "limit_unit"), unit)
        stays = quantity in ("weight", "concentration", "dose_rate", "flow_rate")
        if value is None and decision is None and confirmed and stays:
            value = held_value(quantity, unit, after)  # type: ignore[arg-type]
        return Verdict(decision, value, unit)

    def is_outside(self, r: Event) -> bool | None:
        """Whether what was confirmed lies outside a limit; null where nobody can tell."""
        verdict = self.verdicts[get(r, "limit_quantity")]
        value, limit = verdict.value_in(get(r, "limit_unit")), get(r, "limit_value")
        if value is not None and limit is not None:
            told = outside(value, get(r, "limit_side"), limit)
            if told is not None:
                return told
        return None if verdict.decision is None else verdict.decision == "overridden"

    # -- the outcome ------------------------------------------------------------------------------------

    def outcome(self) -> tuple[str, str | None]:
        """Return the outcome and the infusion that it belongs to."""
        a, end, look = self.a, self.end, self.lane.look
        outcome = self.base_outcome()
        if outcome in ("cancelled", "unchanged", "unknown"):
            left = self.left_library()
            if left is not None:
                return "left_library", left  # 8
        if end.how == "confirmed" and end.event is not None:
            return outcome, look.of_event(end.event, a.lane)  # 38: the one started or changed
        if outcome == "unchanged":  # 38: the running one
            segment = (look.after if end.how == "timed_out" else look.before)(end.at)
            return outcome, segment["infusion_id"] if segment else None
        return outcome, None

    def base_outcome(self) -> str:
        """Return the outcome before 8."""
        end = self.end
        if end.how == "timed_out":
            waiting = {get(r, "limit_quantity") for _, r in self.a.alert_rows} - set(self.decided)
            if self.decided and not waiting:  # the log says what was decided, though no programme follows
                said = {d for d, _ in self.decided.values()}
                return "overridden" if "overridden" in said else "within_limits"
            return "unchanged" if self.ran else "unknown"  # 35
        if end.how == "stopped":
            return "unchanged"  # 35
        if end.how in ("cancelled", "power_or_patient"):
            return {True: "unchanged", False: "cancelled", None: "unknown"}[self.ran]  # 35
        if end.how == "left":
            segment = self.lane.look.after(end.at)
            inside = segment is not None and segment["library_use"] != "bypassed"
            return "unchanged" if inside and self.lane.look.delivered(segment) else "unknown"
        if self.keeps_old_values():
            return "unchanged"  # 35
        if end.after is not None and end.after.library_use == "bypassed":
            return "unknown"
        return self.outcome_by_values()

    def outcome_by_values(self) -> str:
        """Return the outcome from the last confirmed programme."""
        told = [(limit_kind(r), self.is_outside(r)) for r in self.limits]
        if any(kind != "hard" and out for kind, out in told):
            return "overridden"
        if any(out is None for _, out in told):
            return "unknown"
        if any(out for _, out in told):  # past a hard limit: only if the log itself says so
            said = {v.decision for v in self.verdicts.values()}
            return "overridden" if "overridden" in said else "unknown"
        return "within_limits"

    def keeps_old_values(self) -> bool:
        """Whether the confirmed row is a resumption or a change to the old values (35)."""
        e, before = self.end.event, self.end.before
        if e is None or before is None or self.end.refill:
            return False
        if e["kind"] == "bolus_started" or id_on(e, self.a.lane) in self.lane.look.infusions:
            return False
        said = [d for _, r in self.a.rows if (d := decision_of(r)) is not None]
        if (said and said[-1] == "overridden") or new_values(e, before):
            return False  # where the log says that a limit was confirmed past, it was
        for quantity, verdict in self.verdicts.items():
            own = own_value(e, quantity, verdict.unit, self.end.after or before)
            if own is not None and not same(own, held_value(quantity, verdict.unit, before)):
                return False
        names_any = any(
            get(e, c) is not None
            for c in ("rate_ml_h", "dose_value", "volume_to_infuse_ml", "programmed_duration_s")
        )
        return names_any or e["kind"] in ("infusion_started", "infusion_resumed")

    def left_library(self) -> str | None:
        """8: delivery outside the library began within 10 min after the last alert, none inside between."""
        last_index, last_at = self.a.last_alert
        held = InForce()
        for index, e, now in self.lane.log:
            if index > last_index:
                if is_patient_change(e, held):
                    return None  # no attempt spans a patient change
                started = self.lane.look.infusions.get(id_on(e, self.a.lane))
                if started is not None and started["library_use"] == "bypassed":
                    inside = timedelta(0) <= started["started_at"] - last_at <= TEN_MINUTES
                    return str(started["infusion_id"]) if inside else None
                if e["kind"] in CONFIRMING and by_user(e) and now.library_use in IN_LIBRARY:
                    return None
            held = now
        return None

    def decided_at(self) -> datetime | None:
        """31: the last decision row, else the event that ended it, null for a time-out."""
        if self.a.decision_row is not None:
            at: datetime = self.a.decision_row["occurred_at"]
            return at
        return None if self.end.how == "timed_out" else self.end.at

    # -- the figures ------------------------------------------------------------------------------------

    def chosen_limit(self, outcome: str) -> Event:
        """34: the row whose limit the attempt is measured against."""
        first = self.a.alert_rows[0][1]
        crossed = [r for r in self.limits if self.is_outside(r)] if outcome == "overridden" else []
        soft = [r for r in crossed if limit_kind(r) != "hard"]

        def times(r: Event) -> float:
            value = self.verdicts[get(r, "limit_quantity")].value_in(get(r, "limit_unit"))
            return multiple(value, get(r, "limit_side"), get(r, "limit_value")) or 0.0

        return max(soft or crossed, key=times, default=first)

    def something_confirmed(self, outcome: str) -> bool:
        """Whether an in-library programme was confirmed, or the log says that one was."""
        if outcome in ("overridden", "within_limits"):
            return True
        inside = self.end.after is not None and self.end.after.library_use != "bypassed"
        return self.end.how == "confirmed" and inside and outcome != "left_library"

    def entered_first(self, quantity: str | None, unit: str | None) -> float | None:
        """34: the attempt's first entered value of that quantity."""
        for _, r in self.a.rows:
            if get(r, "limit_quantity") == quantity and get(r, "entered_value") is not None:
                return convert(r["entered_value"], get(r, "limit_unit"), unit)
        return None

    def entered_final(self, outcome: str, quantity: str | None, unit: str | None) -> float | None:
        """34: the confirmed value of that quantity."""
        if outcome == "unchanged" and self.end.event is not None and self.end.after is not None:
            own = own_value(self.end.event, quantity, unit, self.end.after)
            return own if own is not None else held_value(quantity, unit, self.end.after)
        return self.verdicts[quantity].value_in(unit)

    def change_factor(
        self,
        outcome: str,
        quantity: str | None,
        unit: str | None,
        first: float | None,
        final: float | None,
        confirmed: bool,
    ) -> float | None:
        """32: first entered / final, or / running value."""
        before = self.end.before
        if outcome == "left_library" or first is None:
            return None
        against = self.a.entry if confirmed else (before.entry if before else None)
        if self.a.entry_at_first is not None and against is not None and self.a.entry_at_first != against:
            return None
        if not confirmed:
            final = held_value(quantity, unit, before) if self.ran and before else None
        return None if not final else first / final

    def reversed_later(self, chosen: Event) -> bool:
        """Whether an override was brought inside its limit within 10 min."""
        quantity, unit = get(chosen, "limit_quantity"), get(chosen, "limit_unit")
        side, limit = get(chosen, "limit_side"), get(chosen, "limit_value")
        now = now_at_end = self.end.after or InForce()
        for index, e, after in self.lane.log:
            if index <= self.end.index or e["occurred_at"] - self.end.at > TEN_MINUTES:
                continue
            if e["kind"] in ("powered_off", "power_lost", "powered_on") or is_patient_change(e, now):
                return False
            now = after
            changes = (set(CONFIRMING) - {"bolus_started"}) | {"weight_changed"}
            other_entry = None not in (get(e, "entry"), self.a.entry) and e["entry"] != self.a.entry
            if e["kind"] not in changes or not by_user(e) or other_entry or after.library_use == "bypassed":
                continue
            if quantity != "weight" and after.secondary != now_at_end.secondary:
                continue  # 19: another line says nothing about this one
            value = own_value(e, quantity, unit, after)
            if value is not None and limit is not None and outside(value, side, limit) is False:
                return True
        return False
