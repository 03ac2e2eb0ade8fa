"""What a start, a change of programme or a switch of line does to a channel."""

from __future__ import annotations

from fractions import Fraction

from tests.generative.oracle_stretches import Stretches
from tests.generative.oracle_words import RUNS, Event, Infusion, Line, exact


class Starts(Stretches):
    """A channel that can begin infusions, continue and change them."""

    def start(self, i: int, event: Event, at: int) -> None:
        was = self.programme
        self.take_line(event)
        self.confirm(i, event, may_keep=True)
        to_secondary = self.programme.fluid_source == "secondary"
        if self.suspended is not None and self.suspended_stop is not None and to_secondary:
            self.end_suspended("stopped", self.suspended_stop)  # the other line ran since: nothing goes on
        if self.suspended is not None and not to_secondary and self.programme.fluid_source is not None:
            self.come_back(i, event, at)
            return
        if to_secondary and was.fluid_source != "secondary" and self.suspend(at):
            self.settle(event, False)
            self.begin(i, event, at, "start", None)
            return
        candidate, how = self.find_previous(i, event, at)
        if candidate is None:
            self.settle(event, False)
            self.begin(i, event, at, "start", None)
            return
        self.go_on_or_begin(i, event, at, candidate, how)

    def take_line(self, event: Event) -> None:
        """19: a secondary takes over nothing from the primary, and the primary finds its own values again."""
        source = event["fluid_source"]
        if source is not None and (source == "secondary") != (self.programme.fluid_source == "secondary"):
            line = Line(self.programme, self.rate, self.amount_rate, self.strength)
            self.programme, self.rate = self.other_line.programme, self.other_line.rate
            self.amount_rate, self.strength = self.other_line.amount_rate, self.other_line.strength
            self.other_line = line

    def find_previous(self, i: int, event: Event, at: int) -> tuple[Infusion | None, str]:
        """The infusion that this start may continue, and how it would."""
        if self.now is not None:
            if self.lapsed:
                self.end("superseded", at, event)
            elif self.state in RUNS:
                if self.unbroken_since_proof(i):
                    return self.now, "no gap"
                self.stop_missing(i, at, event)  # 1
            elif self.state == "unknown" and self.halted_at is None:
                near = self.alarm_at is not None and at - self.alarm_at <= self.rules.after_pause
                if near:
                    return self.now, "resumption"
                if self.alarm_at is not None and self.unbroken_since_proof(i):
                    self.end("superseded", at, event)
                else:
                    self.stop_missing(i, at, event)
            elif self.cleared:
                self.end("superseded", at, event)
            else:
                return self.now, "refill" if self.state == "keep_open" else "resumption"
        elif self.rested is not None and self.rested.ended_at is not None:
            gap = at - self.rested.ended_at
            if gap <= self.rules.after_stop and not self.cleared:
                if self.rest_how == "no gap" and gap > self.rules.no_gap:
                    return self.rested, "resumption"
                return self.rested, self.rest_how
        return None, ""

    def go_on_or_begin(self, i: int, event: Event, at: int, old: Infusion, how: str) -> None:
        self.settle(event, self.same_entry(old, event) and not self.differences(old))
        differs = self.differences(old)
        if not differs:
            self.go_on(i, event, at, old, how)
            return
        linked = old.infusion_id if "fluid_source" not in differs else None
        if self.now is old:
            self.end("superseded", at, event, bounded=True)
        self.begin(i, event, at, self.start_kind(old, differs) if linked else "start", linked)

    def same_entry(self, old: Infusion, event: Event) -> bool:
        """Whether the row names the entry that the infusion ran under."""
        return event["entry"] is not None and event["entry"] == old.programme.entry

    def differences(self, old: Infusion) -> set[str]:
        """In what the programme in force differs from what last ran; null differs from nothing (13, 15)."""
        pairs = {
            "library_use": (old.programme.library_use, self.programme.library_use),
            "entry": (old.programme.entry, self.programme.entry),
            "concentration": (old.programme.concentration, self.programme.concentration),
            "fluid_source": (old.programme.fluid_source, self.programme.fluid_source),
            "care_area": (old.place.care_area, self.place.care_area),
        }
        differs = {name for name, (a, b) in pairs.items() if a is not None and b is not None and a != b}
        was, now = pairs["library_use"]
        same_drug = old.programme.entry is not None and old.programme.entry == self.programme.entry
        if was == "unknown" and now != "bypassed" and same_drug:
            differs.discard("library_use")  # what was told of it since
        if (old.programme.fluid_source == "secondary") != (self.programme.fluid_source == "secondary"):
            differs.add("fluid_source")  # no secondary is any other line (19)
        return differs

    def start_kind(self, old: Infusion, differs: set[str]) -> str:
        if "library_use" in differs:
            if self.programme.library_use == "bypassed" and old.programme.library_use != "unknown":
                return "left_library"
            if old.programme.library_use == "bypassed" and self.programme.library_use != "unknown":
                return "entered_library"
        if "entry" in differs:
            return "entry_changed"
        return "concentration_changed" if "concentration" in differs else "start"

    def go_on(self, i: int, event: Event, at: int, old: Infusion, how: str) -> None:
        """The start continues: a rate change, a resumption or a refill."""
        old.parts += 1
        if self.now is None:
            if old in self.done:
                self.done.remove(old)
            old.pieces += self.rest_pieces
            old.doubtful |= self.rest_doubt
            old.end_kind, old.ended_at, old.end_doubt = "open", None, False
            self.now, self.rested, self.rest_pieces, self.quiet = old, None, [], False
        if self.left is not None and how != "return":
            self.left, self.left_from = max(self.left - self.volume_ran(), Fraction(0)), i
        if how == "refill":
            self.left = None
        self.volume_entry(i, event)
        self.cleared = False
        if how == "no gap":
            self.count_change(event, old.basal_rate)
        self.halted_at = None
        self.run(at, i)

    def begin(self, i: int, event: Event, at: int, kind: str, continues: str | None) -> None:
        self.left = None
        self.volume_entry(i, event)
        self.open(i, event, at, kind, continues)
        self.run(at, i)

    def count_change(self, event: Event, old: Fraction | None) -> None:
        """24: from one running rate to another, by a user."""
        assert self.now is not None
        by_user = event["initiator"] not in {"pump", "order"} and self.now.first is not event
        if by_user and old and self.rate and old != self.rate:
            self.now.rate_changes += 1

    # a secondary (19)

    def suspend(self, at: int) -> bool:
        infusion = None
        left = self.left
        if self.now is not None and not self.lapsed:
            if left is not None:
                left = max(left - self.volume_ran(), Fraction(0))
            infusion, self.now = self.now, None
            self.state, self.halted_at = "", None
        elif self.rested is not None and self.rested.end_kind == "stopped":
            assert self.rested.ended_at is not None
            if at - self.rested.ended_at <= self.rules.no_gap:
                infusion = self.rested
                self.done.remove(infusion)
                infusion.pieces += self.rest_pieces
                infusion.doubtful |= self.rest_doubt
                infusion.end_kind, infusion.ended_at, infusion.end_doubt = "open", None, False
        if infusion is None:
            return False
        if self.suspended is not None:
            self.end_suspended("superseded", at)
        self.suspended, self.suspended_stop, self.suspended_left = infusion, None, left
        self.suspended_pieces = []
        self.rested = None
        return True

    def end_suspended(self, kind: str, at: int, event: Event | None = None) -> None:
        assert self.suspended is not None
        stopped = self.suspended_stop is not None
        if self.suspended_doubt if stopped else event is not None and event["time_quality"] == "ambiguous":
            self.suspended.doubtful = True  # 21
        self.suspended.end_kind = "stopped" if stopped else kind
        self.suspended.ended_at = self.suspended_stop if stopped else at
        self.done.append(self.suspended)
        self.suspended = None

    def come_back(self, i: int, event: Event, at: int) -> None:
        """The primary goes on after its secondary, whatever the window."""
        old = self.suspended
        assert old is not None
        if self.now is not None:
            runs = self.state in RUNS and not self.lapsed
            if runs and not self.unbroken_since_proof(i):
                self.stop_missing(i, at, event)
            else:
                self.end("superseded", at, event, bounded=runs)
        self.rested, self.rest_pieces, self.rest_doubt = None, [], False
        stopped = self.suspended_stop is not None
        if stopped and (self.cleared or at - self.suspended_stop > self.rules.after_stop):
            self.end_suspended("stopped", at)
            self.settle(event, False)
            self.begin(i, event, at, "start", None)
            return
        self.settle(event, self.same_entry(old, event) and not self.differences(old))
        differs = self.differences(old)
        if differs:
            self.end_suspended("superseded", at)
            linked = old.infusion_id if "fluid_source" not in differs else None
            self.begin(i, event, at, self.start_kind(old, differs) if linked else "start", linked)
            return
        # a stop of the secondary stops the primary as well: until it goes on it is paused (20)
        old.pieces += self.suspended_pieces
        self.suspended = None
        self.now, self.rested = None, None
        self.left, self.left_from = self.suspended_left, i
        self.go_on(i, event, at, old, "return")

    def change(self, i: int, event: Event, at: int) -> None:
        rate_row = event["kind"] == "rate_changed"
        if self.now is not None and not self.lapsed:
            wakes = self.state == "stopped_by_alarm" or (self.by_zero and self.state == "paused")
            if rate_row and wakes and self.raises(event):
                self.start(i, event, at)  # 18, 46
                return
            takes = self.state in RUNS | {"unknown"}
            takes |= rate_row and self.state in {"keep_open", "priming"}
            old_rate, was_running = self.rate, self.state == "running"
            first = self.now.first is event
            self.confirm(i, event, may_keep=not first)
            differs = self.differences(self.now)
            self.settle(event, self.same_entry(self.now, event) and "concentration" not in differs)
            if not takes:  # 24: sets the rate of the next start
                self.volume_entry(i, event)
                return
            differs = self.differences(self.now) - {"care_area"}
            if differs and self.now.first is not event:
                self.switch(i, event, at, differs)
                return
            self.volume_entry(i, event)
            if was_running:
                self.count_change(event, old_rate)
            if self.state != "bolus":
                self.run(at, i)
            return
        if rate_row and self.lapsed and self.state == "stopped_by_alarm" and self.raises(event):
            self.start(i, event, at)
            return
        if rate_row and self.now is None and not self.quiet:
            self.open_missing(i, event, at)
            self.run(at, i)
            return
        self.confirm(i, event)
        self.volume_entry(i, event)

    def raises(self, event: Event) -> bool:
        """Whether this rate change leaves a rate above 0 (or one that nobody knows)."""
        if event["rate_ml_h"] is None and event["dose_value"] is None:
            return self.rate != 0  # 13: nothing is logged, so it stays as it is
        return not (event["rate_ml_h"] == 0 or (event["rate_ml_h"] is None and event["dose_value"] == 0))

    def switch(self, i: int, event: Event, at: int, differs: set[str]) -> None:
        """9: another entry, concentration or library use midway is an infusion of its own."""
        old = self.now
        assert old is not None
        state, rate = self.state, self.state_rate
        if self.left is not None:
            self.left, self.left_from = max(self.left - self.volume_ran(), Fraction(0)), i
        self.end("superseded", at, event)
        linked = old.infusion_id if "fluid_source" not in differs else None
        self.open(i, event, at, self.start_kind(old, differs) if linked else "start", linked)
        self.volume_entry(i, event)
        if state == "bolus":
            self.set_state("bolus", rate=rate)
        else:
            self.run(at, i)

    def bypass(self, i: int, event: Event, at: int) -> None:
        """10: leaving the library."""
        if self.now is not None and not self.lapsed and self.state in RUNS and event["rate_ml_h"] is not None:
            old_rate, was_running = self.rate, self.state == "running"
            self.confirm(i, event)
            differs = self.differences(self.now) - {"care_area"}
            if differs and self.now.first is not event:
                self.switch(i, event, at, differs)
                return
            self.volume_entry(i, event)
            if was_running:
                self.count_change(event, old_rate)
            if self.state != "bolus":
                self.run(at, i)
            return
        self.bypass_waits = True
        if event["rate_ml_h"] is not None:
            self.rate = exact(event["rate_ml_h"])
