"""One channel's stretches: what is in force, what state it is in, and how an infusion opens and ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from tests.generative.oracle_rows import amount_per_hour, rate_of_dose
from tests.generative.oracle_words import (
    DELIVERING,
    ENDS,
    HALTED,
    HOUR_US,
    PROOFS,
    RUNS,
    Event,
    Infusion,
    Line,
    Piece,
    Place,
    Programme,
    Rules,
    exact,
    micros,
)


class Stretches:
    """What one channel of one pump is doing, and the books of the infusion that is open."""

    def __init__(self, name: str, ordered: Sequence[Event], links: Sequence[str], rules: Rules) -> None:
        self.name, self.ordered, self.links, self.rules = name, ordered, links, rules
        self.done: list[Infusion] = []
        self.programme, self.place = Programme(), Place()
        self.rate: Fraction | None = None
        self.amount_rate: tuple[Fraction, str] | None = None
        self.strength: tuple[Fraction, str] | None = None  # per mL, as a logged dose and rate imply
        self.other_line = Line()  # what is in force on the line that is not in use (19)
        self.left: Fraction | None = None  # volume left to infuse, at the event `left_from`
        self.left_from = 0
        self.bypass_waits = False
        self.kept: set[str] = set()  # rows of unknown library use that go on under the use in force
        self.on = True
        self.quiet = False  # known not to run
        self.now: Infusion | None = None  # the open infusion
        self.state = ""
        self.state_rate: Fraction | None = None  # of a bolus or keep-open
        self.adds = False  # whether the bolus runs on top of the basal rate (26)
        self.halted_at: int | None = None  # since when it does not deliver
        self.halted_from = 0  # index of that event
        self.by_zero = False  # paused because the rate is 0 (46)
        self.lost = False  # unknown because of a gap (22)
        self.lapsed = False  # the window after a pause is over (17)
        self.alarm_at: int | None = None  # of the alarm whose effect nobody declared (5)
        self.gone_back: tuple[str, int | None] = ("running", None)  # state before a bolus or priming
        self.proof = 0  # index of the last event that proves running
        self.rested: Infusion | None = None  # stopped or completed, may be continued
        self.rest_pieces: list[Piece] = []
        self.rest_doubt = False
        self.shut = False  # stopped after it completed: nothing is kept open
        self.rest_how = ""  # how a start would continue it: a no-gap start, a resumption or a refill
        self.cleared = False  # totals cleared since it stopped
        self.suspended: Infusion | None = None
        self.suspended_stop: int | None = None
        self.suspended_pieces: list[Piece] = []  # since that stop
        self.suspended_doubt = False  # whether the time of that stop is ambiguous
        self.suspended_left: Fraction | None = None
        self.counter: Fraction | None = None  # since-cleared reading

    def proves(self, event: Event) -> bool:
        if event["kind"] in PROOFS or event["running_logged"]:
            return True
        if event["kind"] in {"alarm_raised", "alarm_updated"} and event["stops_delivery"]:
            return True
        return self.grew(event)

    def grew(self, event: Event) -> bool:
        value, scope = exact(event["volume_delivered_ml"]), event["volume_scope"]
        if value is None or scope is None or self.now is None:
            return False
        if scope == "since_cleared":
            return self.counter is not None and value > self.counter
        known = [
            r[1]
            for r in self.now.readings
            if r[0] == scope and (scope == "infusion" or r[2] == self.now.parts)
        ]
        return value > (known[-1] if known else 0)

    def unbroken_since_proof(self, i: int) -> bool:
        return all(link == "unbroken" for link in self.links[self.proof + 1 : i + 1])

    # --- stretches

    def account(self, i: int, at: int) -> None:
        """Book the stretch from the event before to this one; a clock that went back adds nothing."""
        begin = micros(self.ordered[i - 1]["occurred_at"])
        end = max(begin, at)
        idle = self.now is None or self.lapsed
        if idle and self.suspended is not None and self.suspended_stop is not None:
            shown = self.suspended.programme
            piece = Piece(i - 1, begin, end, "paused", Fraction(0), None, shown, self.place)
            self.suspended_pieces.append(piece)
        if self.now is not None and not self.lapsed:
            rate: Fraction | None = {"running": self.rate, "unknown": None, "priming": None}.get(
                self.state, Fraction(0)
            )
            amount_rate = self.amount_rate if self.state == "running" else None
            if self.state in {"bolus", "keep_open"}:
                rate = self.state_rate
                if self.state == "bolus" and self.adds and rate is not None:
                    rate = None if self.rate is None else rate + self.rate
            shown = self.programme if self.state in DELIVERING else self.now.programme
            self.now.pieces.append(Piece(i - 1, begin, end, self.state, rate, amount_rate, shown, self.place))
        elif self.rested is not None:
            programme = self.rested.programme  # 20
            # 22: after a gap nobody knows until the start
            lost = bool(self.rest_pieces) and self.rest_pieces[-1].state == "unknown"
            state, rate = ("unknown", None) if lost else ("paused", Fraction(0))
            self.rest_pieces.append(Piece(i - 1, begin, end, state, rate, None, programme, self.place))

    def lapse(self, at: int) -> None:
        """17: where the window after a pause is over, what comes after it is no part of the infusion."""
        if self.now is None or self.lapsed or self.halted_at is None:
            return
        if at <= self.halted_at + self.rules.after_pause:
            return
        edge = self.halted_at + self.rules.after_pause
        kept = []
        for piece in self.now.pieces:
            if piece.index >= self.halted_from:
                if piece.begin >= edge:
                    continue
                piece.end = min(piece.end, edge)
            kept.append(piece)
        self.now.pieces = kept
        self.now.ended_at = edge
        self.lapsed = True

    def lose_sight(self, i: int) -> None:
        """22: nobody knows what happened since the pump's last event before the gap."""
        self.quiet = False
        if self.suspended is not None:
            self.suspended.doubtful = True
            if self.suspended_pieces:
                self.suspended_pieces[-1].state, self.suspended_pieces[-1].rate = "unknown", None
        if self.lapsed:
            self.lost = True
        if self.now is not None and not self.lapsed:
            self.now.doubtful = True
            self.now.pieces[-1].state, self.now.pieces[-1].rate = "unknown", None
            self.now.pieces[-1].amount_rate = None
            self.state, self.alarm_at, self.lost, self.by_zero = "unknown", None, True, False
        elif self.rested is not None:
            self.rest_doubt = True
            self.rest_pieces[-1].state, self.rest_pieces[-1].rate = "unknown", None

    def set_state(
        self, state: str, at: int | None = None, i: int = 0, *, rate: Fraction | None = None
    ) -> None:
        self.state, self.state_rate, self.alarm_at = state, rate, None
        self.by_zero = self.lost = False
        if state in HALTED:
            if self.halted_at is None:
                self.halted_at, self.halted_from = at, i
        else:
            self.halted_at = None

    def run(self, at: int, i: int) -> None:
        """The channel runs at the rate in force; at a rate of 0 it is paused (46)."""
        if self.now is not None:
            self.now.programme, self.now.place = self.programme, self.place
        if self.rate == 0:
            self.set_state("paused", at, i)
            self.halted_at, self.by_zero = None, True  # nobody paused it: no window
        else:
            self.set_state("running")

    # --- the life of an infusion

    def open(self, i: int, event: Event, at: int, kind: str, continues: str | None = None) -> Infusion:
        given = (
            event["event_id"] if event["channel"] == self.name else f"{event['event_id']}:{self.name}"
        )  # 37
        self.now = Infusion(
            given, event, at, kind, self.programme, self.place, (self.programme, self.place), continues
        )
        self.lapsed, self.rested, self.rest_pieces, self.quiet, self.cleared = False, None, [], False, False
        self.halted_at = None
        self.proof = i
        return self.now

    def end(self, kind: str, at: int, event: Event | None, *, bounded: bool = False) -> Infusion:
        """End the open infusion."""
        ended = self.now
        assert ended is not None
        if not self.lapsed:
            ended.ended_at = at
            if bounded:
                self.bound(ended)
            if event is not None and event["time_quality"] == "ambiguous":
                ended.end_doubt = True  # 21
        ended.end_kind = kind
        self.done.append(ended)
        self.now, self.state, self.halted_at, self.lapsed = None, "", None, False
        return ended

    def bound(self, infusion: Infusion) -> None:
        """14: what runs from the last start or volume entry on is at most the volume left."""
        if self.left is None:
            return
        left = self.left
        for k, piece in enumerate(list(infusion.pieces)):
            if piece.index < self.left_from or piece.state not in RUNS:
                continue
            if piece.rate is None:
                if left <= 0:
                    piece.state, piece.amount_rate = "unknown", None
                continue
            volume = piece.rate * (piece.end - piece.begin) / HOUR_US
            if volume <= left:
                left -= volume
                continue
            edge = piece.begin + int(left * HOUR_US / piece.rate)
            rest = replace(piece, begin=edge, state="unknown", rate=None, amount_rate=None)
            piece.end = edge
            for later in infusion.pieces[k + 1 :]:
                if later.state in RUNS:
                    later.state, later.rate, later.amount_rate = "unknown", None, None
            infusion.pieces.insert(k + 1, rest)
            return

    def stop_missing(self, i: int, at: int, event: Event) -> None:
        """1, 25, 29: it stopped at some moment that nobody logged."""
        assert self.now is not None
        for piece in self.now.pieces:
            if not self.lost and piece.index >= self.proof and piece.state in DELIVERING:
                piece.state, piece.rate, piece.amount_rate = "unknown", None, None
        self.end("stop_missing", at, event, bounded=True)

    def rest(self, infusion: Infusion) -> None:
        """It stopped or completed: a start may still continue it."""
        self.rested, self.rest_pieces, self.rest_doubt, self.cleared = infusion, [], False, False
        self.shut = False
        self.quiet = True

    def volume_ran(self) -> Fraction:
        """What ran since the volume left was last known."""
        assert self.now is not None
        pieces = [
            p for p in self.now.pieces if p.index >= self.left_from and p.state in RUNS and p.rate is not None
        ]
        return sum((p.rate * (p.end - p.begin) / HOUR_US for p in pieces if p.rate is not None), Fraction(0))

    # --- values in force

    def confirm(self, i: int, event: Event, *, may_keep: bool = False) -> None:
        """Take over what a confirmed row logs; null leaves what is in force (13).

        `may_keep`: an unknown use keeps the one in force where the row names the entry in force again;
        whether the infusion goes on is then for `settle` to see.
        """
        said = event["library_use"]
        nameless = said is None or (said == "unknown" and event["entry"] is None)
        bypass = event["kind"] == "library_bypassed" or (self.bypass_waits and nameless)
        use = "bypassed" if bypass else said
        self.bypass_waits = False
        old = self.programme
        named = event["entry"] is not None and event["entry"] == old.entry
        keeps = may_keep and use == "unknown" and named and old.known_use in {"limited", "no_limit_entry"}
        if bypass or self.clears(use, old):
            old = old.bare()  # 10, 13
            self.amount_rate = self.strength = None
        new = replace(old, library_use=old.library_use if keeps or use is None else use)
        if use not in {None, "unknown"}:
            new = replace(new, known_use=use)
        if keeps:
            self.kept.add(event["event_id"])
        for name in ("entry", "fluid_source"):
            if event[name] is not None:
                new = replace(new, **{name: event[name]})
        if event["concentration_value"] is not None:
            unit = event["concentration_unit"]
            new = replace(new, concentration_value=event["concentration_value"], concentration_unit=unit)
        if event["dose_value"] is not None:
            new = replace(new, dose_value=event["dose_value"], dose_unit=event["dose_unit"])
            rate = rate_of_dose(new, self.place.weight_kg)  # 51
            if rate is not None or (new.dose_value, new.dose_unit) != (old.dose_value, old.dose_unit):
                self.rate = rate
            self.amount_rate = amount_per_hour(new, self.place.weight_kg)
            self.strength = None
        if event["rate_ml_h"] is not None and not (event["kind"] in ENDS and event["rate_ml_h"] == 0):
            self.rate = exact(event["rate_ml_h"])
        self.programme = new
        if event["dose_value"] is not None and self.amount_rate is not None and self.rate:
            self.strength = (self.amount_rate[0] / self.rate, self.amount_rate[1])
        elif self.strength is not None and self.rate is not None:
            self.amount_rate = (self.strength[0] * self.rate, self.strength[1])  # same drug, other rate

    def clears(self, use: str | None, old: Programme) -> bool:
        """Whether a use told clears entry, concentration and dose; an unknown one may be the same (13)."""
        if use is None or old.library_use is None or use == old.library_use:
            return False
        if use == "unknown":
            return old.library_use == "bypassed"
        if old.library_use == "unknown":
            return use == "bypassed" or (old.known_use not in {None, "bypassed", use})
        return True

    def settle(self, event: Event, goes_on: bool) -> None:
        """Where the infusion does not go on, its use is unknown, though the entry is named again."""
        if event["event_id"] in self.kept and not goes_on:
            self.kept.remove(event["event_id"])
            self.programme = replace(self.programme, library_use="unknown")

    def volume_entry(self, i: int, event: Event) -> None:
        if event["volume_to_infuse_ml"] is not None:
            self.left, self.left_from = exact(event["volume_to_infuse_ml"]), i
