"""Bounds of a trace hold on drawn pumps of which the truth is known, whatever their log loses.

Each pump is simulated: what flowed stands beside what it logs. Then its log is harmed, and every amount of a
trace has to have the truth between its bounds, unless it says that it has none.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path

import pytest
from tests.functional.conftest import make_site
from tests.marks import LONG

from dripledger.events import ingest
from dripledger.incidents.tracing import Asked, trace
from dripledger.site import load_site
from dripledger.store import Ledger

HEADER = (
    "pump_id,channel,device_time,sequence,kind,care_area,entry,library_use,rate_ml_h,concentration_value,"
    "concentration_unit,bolus_adds_to_basal,volume_to_infuse_ml\n"
)
#: mg in a mL
DRUGS = {"linol": 1, "bexol": 8}
RATES = (1, 2, 5, 10, 20, 50, 100)
CHANNELS = ("A", "B")
BEGINS = datetime(2026, 1, 12, 8, tzinfo=UTC)
#: Less than this is rounding of what a trace prints.
NOTHING = Fraction(1, 10_000)


@dataclass
class Line:
    """One line of a log: when by the pump's clock, its number, and the rest as it stands in the file."""

    at: datetime
    number: int
    kind: str
    channel: str
    rest: str

    def text(self, pump: str) -> str:
        return f"{pump},{self.channel},{self.at:%Y-%m-%dT%H:%M:%S},{self.number},{self.kind},{self.rest}\n"


@dataclass
class Channel:
    """What a channel does."""

    state: str = "idle"
    rate: int = 0
    drug: str = ""
    bolus: int = 0
    adds: bool = False

    @property
    def flow(self) -> int:
        if self.state == "running":
            return self.rate
        if self.state == "bolus":
            return self.bolus + (self.rate if self.adds else 0)
        return 1 if self.state == "kept open" else 0


@dataclass
class Drawn:
    """A pump: what it logs, and what flowed from when to when, mL/h, on each channel."""

    lines: list[Line] = field(default_factory=list)
    flowed: list[tuple[str, datetime, datetime, int, str]] = field(default_factory=list)

    def amount(self, channel: str, begins: datetime, ends: datetime, drug: str = "") -> Fraction:
        """Return what flowed between two true moments, mL, or mg of a drug."""
        total = Fraction(0)
        for one, first, last, rate, named in self.flowed:
            overlap = min(last, ends) - max(first, begins)
            if one == channel and overlap > timedelta(0) and drug in ("", named):
                total += Fraction(rate * int(overlap.total_seconds()), 3600) * (DRUGS[drug] if drug else 1)
        return total


def draw(rng: random.Random) -> Drawn:
    """Return a pump with some dozens of events on two channels; the last one stops all."""
    drawn, at = Drawn(), BEGINS
    channels = {name: Channel() for name in CHANNELS}

    def log(name: str, kind: str, rest: str = ",,,,,,,") -> None:
        drawn.lines.append(Line(at, len(drawn.lines) + 1, kind, name, rest))

    for _ in range(rng.randint(10, 30)):
        length = timedelta(seconds=rng.choice([0, 1, 2, *[rng.randint(10, 1500)] * 7]))
        for name, one in channels.items():
            if one.flow and length:
                drawn.flowed.append((name, at, at + length, one.flow, one.drug))
        at += length
        if rng.random() < 0.08:
            log("", "key_pressed")
            continue
        name = rng.choice(CHANNELS)
        act(rng, channels[name], lambda kind, rest=",,,,,,,", name=name: log(name, kind, rest))
    for name, one in channels.items():
        if one.state != "idle":
            log(name, "infusion_stopped")
    return drawn


def act(rng: random.Random, one: Channel, log: Callable[..., None]) -> None:
    """Let a channel do one thing and log it."""
    rate = rng.choice(RATES)
    if one.state == "idle":
        one.state, one.rate, one.drug = "running", rate, rng.choice(sorted(DRUGS))
        log("infusion_started", f"ICU,{one.drug},limited,{rate},{DRUGS[one.drug]},mg/mL,,")
    elif one.state == "running":
        what = rng.choice(["rate"] * 4 + ["pause", "stop", "bolus", "done"])
        if what == "rate":
            one.rate = rate
            log("rate_changed", f",,,{rate},,,,")
        elif what == "pause":
            one.state = "paused"
            log("infusion_paused")
        elif what == "stop":
            one.state = "idle"
            log("infusion_stopped")
        elif what == "bolus":
            one.state, one.bolus, one.adds = "bolus", rate, rng.random() < 0.5
            log("bolus_started", f",,,{rate},,,{str(one.adds).lower()},")
        else:
            one.state = "idle"
            log("infusion_completed")
            if rng.random() < 0.5:
                one.state = "kept open"
                log("kvo_started", ",,,1,,,,")
    elif one.state == "paused":
        what = rng.choice(["resume", "resume at", "rate", "stop"])
        if what == "stop":
            one.state = "idle"
            log("infusion_stopped")
            return
        if what != "resume":
            one.rate = rate
        one.state = "paused" if what == "rate" else "running"
        told = ",,,,,,," if what == "resume" else f",,,{rate},,,,"
        log("rate_changed" if what == "rate" else "infusion_resumed", told)
    elif one.state == "bolus":
        one.state = "running"
        log("bolus_ended")
    else:
        one.state = "idle"
        log("infusion_stopped")


def lost(rng: random.Random, lines: list[Line]) -> list[Line]:
    gone = set(rng.sample(range(1, len(lines) - 1), 2))
    return [line for place, line in enumerate(lines) if place not in gone]


def unfiled(rng: random.Random, lines: list[Line]) -> list[Line]:
    for line in rng.sample(lines[1:], 2):
        line.kind, line.rest = "nobody filed this", ",,,,,,,"
    return lines


def unread(rng: random.Random, lines: list[Line]) -> list[Line]:
    for line in rng.sample(lines[1:], 2):
        line.rest = ",,,1x,,,,"
    return lines


def cut(rng: random.Random, lines: list[Line]) -> list[Line]:
    first = rng.randint(0, len(lines) // 3)
    return lines[first : rng.randint(len(lines) // 2, len(lines))]


def clock_set(rng: random.Random, lines: list[Line]) -> list[Line]:
    """Set the clock by up to two hours, logged or not: what is on and not logged, no log can show."""
    place = rng.randint(1, len(lines) - 1)
    by = rng.choice([-1, 1]) * timedelta(seconds=rng.randint(600, 7200))
    is_logged = by > timedelta(0) or rng.random() < 0.5
    later = lines[place:]
    for line in later:
        line.at += by
    said = Line(later[0].at, 0, "clock_set", "", ",,,,,,,")
    told = [*lines[:place], *([said] if is_logged else []), *later]
    for number, line in enumerate(told, 1):
        line.number = number
    return told


def whole(rng: random.Random, lines: list[Line]) -> list[Line]:
    return lines


HARMS = (whole, lost, unfiled, unread, cut, clock_set)
PUMPS = 4


@pytest.mark.parametrize("seed", [1, *[pytest.param(seed, marks=LONG) for seed in range(2, 12)]])
def test_the_truth_lies_between_the_bounds(tmp_path: Path, seed: int) -> None:
    root = tmp_path / "site"
    make_site(root)
    drawn: dict[str, tuple[Drawn, datetime, datetime]] = {}
    for harm in HARMS:
        for number in range(PUMPS):
            pump = f"{harm.__name__} {number}"
            rng = random.Random(f"{seed} {pump}")
            one = draw(rng)
            lines = harm(rng, one.lines)
            times = [line.at for line in lines]
            drawn[pump] = (one, min(*times, BEGINS), max(times))
            text = "".join(line.text(pump) for line in lines)
            (root / "inbox" / f"{pump}.csv").write_text(HEADER + text, encoding="utf-8")
    assert ingest(load_site(root), (), build=True).balanced
    site = load_site(root)
    snapshot = Ledger.open(site.store).snapshot()
    closed = 0
    for pump, (one, first, last) in drawn.items():
        rng = random.Random(f"{seed} {pump} spans")
        begins, ends = first - timedelta(minutes=1), last + timedelta(minutes=1)
        spans = [(begins, max(ends, max(f[2] for f in one.flowed)))]
        if not pump.startswith("clock_set"):
            # times by a clock that was set are no true times
            length = int((ends - begins).total_seconds())
            for _ in range(3):
                a, b = sorted(begins + timedelta(seconds=rng.randint(0, length)) for _ in range(2))
                spans.append((a, b))
        told = trace(site, snapshot, Asked(pump, None, *spans[0], between=tuple(spans)))
        for pumped in told.pumped:
            truth = one.amount(pumped.channel, pumped.begins_at, pumped.ends_at)
            if pump.startswith("clock_set"):
                truth = one.amount(pumped.channel, BEGINS, BEGINS + timedelta(days=3))
            amounts = [("", pumped.volume_ml, truth)]
            if not pump.startswith("clock_set"):
                amounts += [
                    (d.entry, d.amount, one.amount(pumped.channel, pumped.begins_at, pumped.ends_at, d.entry))
                    for d in pumped.drugs
                ]
            for drug, bounds, true in amounts:
                span = f"{pumped.begins_at} to {pumped.ends_at}"
                where = f"{pump} {pumped.channel}, {span}, {drug}: {float(true)}, {bounds}"
                assert true >= Fraction(bounds.low) - NOTHING, where
                assert bounds.open or true <= Fraction(bounds.high) + NOTHING, where
                closed += not bounds.open
    assert closed > 20, "most of them are closed where nothing was harmed"
