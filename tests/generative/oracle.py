"""A slow, obvious reading of pump logs: one channel at a time, one event after the other, in exact fractions.

It says what `segments` and `infusions` should hold, and shares no code with the SQL that builds them: only
the names of kinds, their order at one instant, and the unit table. The number at a branch is the ruling's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any

from tests.generative.oracle_order import in_order
from tests.generative.oracle_rows import infusion_row, segments_of
from tests.generative.oracle_starts import Starts
from tests.generative.oracle_words import (
    DELIVERING,
    ENDS,
    HALTED,
    PROPOSALS,
    RUNS,
    SECOND_US,
    STARTS,
    Event,
    Infusion,
    Line,
    Rules,
    exact,
    micros,
)

__all__ = ["SECOND_US", "Channel", "Rules", "in_order", "rebuild"]


class Channel(Starts):
    """One channel of one pump, event after event."""

    def read(self) -> list[Infusion]:
        for index, event in enumerate(self.ordered):
            self.step(index, event)
        self.log_ends()
        return self.done

    def step(self, i: int, event: Event) -> None:
        at = micros(event["occurred_at"])
        mine = event["channel"] == self.name
        proof = mine and self.proves(event)
        if i:
            self.account(i, at)
            if self.links[i] == "gap":
                if not (proof and event["kind"] not in STARTS):
                    self.lose_sight(i)  # 22: not bridged
                elif self.now is None:
                    self.quiet = False  # 3, 22: from a stopped channel nothing carries over
            self.lapse(at)
        if not (mine or event["channel"] == ""):
            return
        before = None if self.lapsed else self.now
        self.patient(i, event, at)
        if event["kind"] not in PROPOSALS:
            logged = {
                k: event[k] for k in ("care_area", "library_version", "weight_kg") if event[k] is not None
            }
            self.place = replace(self.place, **logged)
        self.act(i, event, at, mine)
        if proof:
            self.proof = i
            if self.state == "unknown" and self.now and event["kind"] not in ENDS and not self.lapsed:
                self.set_state("running")  # 5: shows that it runs
        if self.now is not None and not self.lapsed and self.state in DELIVERING:
            self.now.programme, self.now.place = self.programme, self.place
            self.cleared = False
            if self.state == "running":
                self.now.basal_rate = self.rate
        if self.now is not None and self.now.first is event:
            self.now.at_start = (self.programme, self.place)
        self.note(event, at, before, mine)
        if event["kind"] not in {"powered_off", "power_lost"}:
            self.on = True

    def patient(self, i: int, event: Event, at: int) -> None:
        """4: no infusion spans a change of patient."""
        key, known = event["patient_key"], self.place.patient_key
        changed = event["kind"] == "patient_changed" or (
            key is not None and known is not None and key != known
        )
        if not changed:
            if key is not None:
                self.place = replace(self.place, patient_key=key)
            return
        if self.suspended is not None:
            self.end_suspended("patient_change", at, event)
        self.rested = None
        place = replace(self.place, patient_key=key)
        if self.now is not None:
            state, extra = self.state, (self.state_rate, self.gone_back)
            halted = (self.lapsed or state in HALTED) and not self.lost  # 22: a gap, so nobody knows
            restart = event["kind"] in STARTS
            runs_on = not self.lapsed and state in DELIVERING and not restart and event["kind"] not in ENDS
            if restart and state in RUNS and not self.lapsed and not self.unbroken_since_proof(i):
                self.stop_missing(i, at, event)
            else:
                if runs_on and self.left is not None:
                    self.left, self.left_from = max(self.left - self.volume_ran(), Fraction(0)), i
                self.end("patient_change", at, event)
            self.place = place
            if runs_on:
                keeps = self.proof
                self.open(i, event, at, "patient_change")
                self.set_state(state, rate=extra[0])
                self.gone_back = extra[1]
                self.proof = keeps
            self.quiet = halted or event["kind"] in ENDS
        self.place = place

    def act(self, i: int, event: Event, at: int, mine: bool) -> None:
        kind = event["kind"]
        if kind in STARTS:
            self.start(i, event, at)
        elif kind in {"rate_changed", "programme_changed"}:
            self.change(i, event, at)
        elif kind == "library_bypassed":
            self.bypass(i, event, at)
        elif kind == "infusion_stopped" and event["stops_delivery"]:
            self.alarms_stop(i, event, at)
        elif kind in {"infusion_stopped", "infusion_completed"}:
            self.stop(i, event, at)
        elif kind == "infusion_paused":
            self.pause(i, event, at)
        elif kind == "kvo_started":
            self.keep_open(i, event, at)
        elif kind in {"bolus_started", "bolus_ended"}:
            self.bolus(i, event, at)
        elif kind in {"powered_off", "power_lost"}:
            self.power_off(at, event)
        elif kind == "powered_on":
            self.power_on(i, at, event)
        elif kind == "totals_cleared":
            self.counter = Fraction(0)
            if self.now is not None:
                self.now.clears += 1
            if self.now is None or self.state not in DELIVERING:
                self.cleared = True
        elif self.now is not None and not self.lapsed:
            self.turn(i, event, at, mine)
        elif kind == "dose_cycle_started":
            self.open_missing(i, event, at)
            self.run(at, i)

    def turn(self, i: int, event: Event, at: int, mine: bool) -> None:
        """Events that only change the state of an open infusion."""
        kind = event["kind"]
        if kind in {"alarm_raised", "alarm_updated"} and event["stops_delivery"]:
            if self.state in DELIVERING or (mine and self.state == "unknown"):
                self.set_state("stopped_by_alarm", at, i)
        elif kind == "alarm_raised" and event["stops_delivery"] is None:
            if event["alarm_kind"] not in {"low_battery", "limit_alert"} and self.state in DELIVERING:
                self.set_state("unknown")  # 5
                self.alarm_at = at
        elif kind == "door_opened":
            if self.state in DELIVERING or self.by_zero:
                self.set_state("paused", at, i)
        elif kind == "standby_entered":
            if self.state != "stopped_by_alarm" and not self.lost:
                self.set_state("standby", at, i)
        elif kind == "standby_left":
            if self.state == "standby":
                self.set_state("paused", at, i)
        elif kind == "priming_started":
            if self.state != "priming":
                self.gone_back = self.before_aside()
                self.set_state("priming")
        elif kind == "priming_ended":
            if self.state == "priming":
                self.go_back(at, i)
        elif kind == "dose_cycle_started":
            self.run(at, i)
        elif kind == "dose_cycle_ended" and (self.state in DELIVERING | {"unknown"} or self.by_zero):
            self.set_state("between_doses")

    def before_aside(self) -> tuple[str, int | None]:
        """What a bolus or priming leaves; a pause at a rate of 0 is no pause that anybody made (46)."""
        return ("running" if self.by_zero else self.state), self.halted_at

    def go_back(self, at: int, i: int) -> None:
        state, _ = self.gone_back
        if state in {"running", "unknown"}:
            self.run(at, i)
        elif state == "ended":
            self.rest(self.end("stopped", at, None))
        else:
            self.set_state(state, at, i)

    def open_missing(self, i: int, event: Event, at: int) -> None:
        """3: something runs, and nobody logged its start."""
        if self.lapsed:
            self.end("superseded", at, event)
        if self.suspended is not None and self.suspended_stop is not None:
            self.end_suspended("stopped", at)  # the other line runs since: nothing goes on
        self.confirm(i, event)
        self.left = None
        self.volume_entry(i, event)
        self.open(i, event, at, "missing")

    def stop(self, i: int, event: Event, at: int) -> None:
        kind = "completed" if event["kind"] == "infusion_completed" else "stopped"
        if self.suspended is not None and kind == "stopped" and self.suspended_stop is None:
            self.suspended_stop, self.suspended_doubt = at, event["time_quality"] == "ambiguous"
        if self.now is None:
            if self.quiet:
                self.shut = True
                return
            self.open_missing(i, event, at)
        assert self.now is not None
        over, state = self.lapsed, self.state
        if self.left is not None:
            self.left, self.left_from = max(self.left - self.volume_ran(), Fraction(0)), i
        ended = self.end(kind, at, event)
        if kind == "completed":
            self.left = None
        self.rest(ended)
        if kind == "completed" or state == "keep_open":
            self.rest_how = "refill"
        else:
            self.rest_how = "no gap" if state in RUNS else "resumption"
        if over:
            self.rested = None

    def pause(self, i: int, event: Event, at: int) -> None:
        if self.lapsed:
            return
        if self.now is None:
            if not self.quiet:
                self.open_missing(i, event, at)
                self.set_state("paused", at, i)
            return
        if self.state == "paused" and not self.by_zero:
            return
        if self.state not in {"stopped_by_alarm", "standby"}:
            self.set_state("paused", at, i)

    def alarms_stop(self, i: int, event: Event, at: int) -> None:
        """18: a stop of which the log says that an alarm made it."""
        if self.now is None:
            if not self.quiet:
                self.open_missing(i, event, at)
                self.set_state("stopped_by_alarm", at, i)
        elif not self.lapsed and self.state in DELIVERING | {"unknown"}:
            self.set_state("stopped_by_alarm", at, i)

    def keep_open(self, i: int, event: Event, at: int) -> None:
        rested = self.rested
        if self.now is None and rested is not None and rested.end_kind == "completed" and not self.shut:
            assert rested.ended_at is not None
            if at - rested.ended_at <= self.rules.keep_open_wait:  # 16
                self.done.remove(rested)
                rested.pieces += self.rest_pieces
                rested.doubtful |= self.rest_doubt
                rested.end_kind, rested.ended_at, rested.end_doubt = "open", None, False
                self.now, self.rested, self.quiet = rested, None, False
        if self.now is None and self.quiet:
            return
        if self.now is None or self.lapsed:
            rate = self.rate
            self.open_missing(i, event, at)
            self.rate = rate
        self.left = None  # what was to be infused is in
        self.set_state("keep_open", rate=exact(event["rate_ml_h"]))

    def bolus(self, i: int, event: Event, at: int) -> None:
        own = exact(event["rate_ml_h"])
        if event["kind"] == "bolus_ended":
            if self.now is not None and not self.lapsed:
                if self.state == "bolus":
                    self.go_back(at, i)
            elif not self.quiet and not self.lapsed:
                self.open_missing(i, event, at)
                self.run(at, i)
            return
        if self.now is None or self.lapsed:
            basal = self.rate
            stood_still = self.quiet or self.lapsed
            self.open_missing(i, event, at)
            self.rate = basal
            self.gone_back = ("ended" if stood_still else "running", None)
        elif self.state != "bolus":
            self.gone_back = self.before_aside()
        self.adds = bool(event["bolus_adds_to_basal"]) and self.gone_back[0] in {"running", "unknown"}  # 26
        self.set_state("bolus", rate=own)

    def power_off(self, at: int, event: Event) -> None:
        if self.now is not None:
            self.end("powered_off", at, event)
        self.forget(at, event)
        self.on = False

    def power_on(self, i: int, at: int, event: Event) -> None:
        """25: a power-on while on hides a power-off at an unknown moment."""
        if not self.on:
            return
        if self.now is not None:
            runs = self.state in DELIVERING | {"unknown"} and self.halted_at is None
            if runs and not self.lapsed:
                self.stop_missing(i, at, event)
            else:
                self.end("powered_off", at, event)
        self.forget(at, event)

    def forget(self, at: int, event: Event) -> None:
        if self.suspended is not None:
            self.end_suspended("powered_off", at, event)
        self.rested, self.quiet, self.bypass_waits, self.left = None, True, False, None
        self.programme = self.programme.bare()
        self.amount_rate = self.strength = None
        self.other_line = Line(self.other_line.programme.bare(), self.other_line.rate)
        self.place = replace(self.place, care_area=None, weight_kg=None)

    def note(self, event: Event, at: int, before: Infusion | None, mine: bool) -> None:
        """Keep the pump's own volumes, and doubts about labels."""
        target = self.now if self.now is not None and not self.lapsed else None
        ended_here = (
            before is not None
            and before is not target
            and before.end_kind in {"stopped", "completed", "powered_off"}
        )
        if target is None and ended_here and before is not None:
            target = before
        if target is None and self.done and self.done[-1].first is event:
            target = self.done[-1]
        if event["unmapped"] and self.suspended is not None:
            self.suspended.doubtful = True
        if event["unmapped"]:
            if target is not None:
                target.doubtful = True
            elif self.rested is not None:
                self.rest_doubt = True
        if mine and target is not None and event["kind"] in {"rate_changed", "programme_changed"}:
            target.changes += 1
        value, scope = exact(event["volume_delivered_ml"]), event["volume_scope"]
        if mine and value is not None and scope is not None:
            if scope == "since_cleared":
                self.counter = value
            if target is not None:
                target.readings.append((scope, value, target.parts, target.clears, at, target.changes))

    def log_ends(self) -> None:
        if self.now is not None:
            if self.lapsed:
                self.now.end_kind = "stopped"
            else:
                self.bound(self.now)
            self.done.append(self.now)
        if self.suspended is not None:
            if self.suspended_stop is not None:
                self.end_suspended("stopped", self.suspended_stop)
            else:
                self.done.append(self.suspended)


def kept_uses(events: Iterable[Event]) -> set[tuple[str, str]]:
    """Channel and id of the rows of unknown library use that go on under the use in force; of one pump."""
    ordered, links = in_order(list(events))
    found = set()
    for name in sorted({e["channel"] for e in ordered} - {""}) or [""]:
        channel = Channel(name, ordered, links, Rules())
        channel.read()
        found |= {(name, event_id) for event_id in channel.kept}
    return found


def rebuild(
    events: Iterable[Event], *, contexts: Mapping[str, str] | None = None, rules: Rules | None = None
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Read a log.

    Parameters
    ----------
    events
        Events with all columns of the table `events`.
    contexts
        care area -> use context.
    rules
        Windows; default: the site's defaults.

    Returns
    -------
    (segments, infusions)
        Rows as dicts, in order of pump, channel and time.
    """
    rules = rules or Rules()
    pumps: dict[tuple[str, str], list[Event]] = {}
    for event in events:
        pumps.setdefault((event["facility"], event["pump_id"]), []).append(event)
    segments: list[dict[str, Any]] = []
    infusions: list[dict[str, Any]] = []
    for _, pump_events in sorted(pumps.items()):
        ordered, links = in_order(pump_events)
        for name in sorted({e["channel"] for e in ordered} - {""}) or [""]:
            for infusion in Channel(name, ordered, links, rules).read():
                own = segments_of(infusion, ordered[0], name)
                infusions.append(infusion_row(infusion, own, name, rules, contexts or {}))
                segments += own
    key = ("facility", "pump_id", "channel", "started_at")
    segments.sort(key=lambda s: (*(s[k] for k in key), s["ended_at"]))
    infusions.sort(key=lambda s: (*(s[k] for k in key), s["infusion_id"]))
    return [{k: v for k, v in s.items() if k != "_us"} for s in segments], infusions
