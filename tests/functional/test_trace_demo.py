"""The incidents planted in the invented hospital: each is found, with the amounts of hand arithmetic.

The hand arithmetic is `by_hand`: the rates that the log names, each times the hours until the next row of
that
channel, and nothing else.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path

import pytest

from dripledger.incidents import Asked, trace
from dripledger.incidents.model import Trace
from dripledger.site import Site, load_site
from dripledger.store import Ledger
from tests.conftest import ReadDemo
from tests.marks import LONG

pytestmark = LONG  # each rule on a small drawn log: spec/test_incidents_findings.py


@dataclass(frozen=True)
class Planted:
    """One row of truth/planted.csv."""

    pump: str
    channel: str | None
    begins: datetime
    ends: datetime
    what: str


class Demo:
    """A hospital after its logs were read."""

    def __init__(self, root: Path, read_demo: ReadDemo) -> None:
        read_demo(root, pumps=10, months=3, seed=21)
        self.site: Site = load_site(root)
        self.snapshot = Ledger.open(self.site.store).snapshot()
        with (root / "truth" / "planted.csv").open(encoding="utf-8", newline="") as file:
            self._rows = list(csv.DictReader(file))

    def planted(self, item: str) -> list[Planted]:
        """Return what was planted under a name; that nothing was is a failure of the demo."""
        found = [
            Planted(
                row["pump"], row["channel"] or None,
                datetime.fromisoformat(row["from_local"]).astimezone(UTC),
                datetime.fromisoformat(row["to_local"]).astimezone(UTC), row["what"],
            )
            for row in self._rows
            if row["item"] == item
        ]  # fmt: skip
        assert found, f"the demo plants no {item}"
        return found

    def trace(
        self, one: Planted, *, longest: timedelta = timedelta(days=2), channel: str | None = None
    ) -> Trace:
        """Trace what was planted."""
        asked = Asked(one.pump, channel, one.begins, min(one.ends, one.begins + longest))
        return trace(self.site, self.snapshot, asked)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory, read_demo: ReadDemo) -> Demo:
    return Demo(tmp_path_factory.mktemp("a demo") / "demo", read_demo)


def rules(told: Trace) -> list[str]:
    return [finding.rule for finding in told.findings]


def by_hand(told: Trace, number: int) -> float:
    """Return an infusion's volume (mL): each logged rate times the hours to the next row of its channel."""
    infusion = told.infusions[number]
    assert infusion.ended_at is not None
    rows = [
        line
        for line in told.lines
        if line.channel == infusion.channel and infusion.started_at <= line.at <= infusion.ended_at
    ]
    moves = {
        "infusion_started", "rate_changed", "infusion_resumed", "kvo_started", "infusion_paused",
        "infusion_stopped",
        "infusion_completed",
    }  # fmt: skip
    total, rate, since = Fraction(0), Fraction(0), infusion.started_at
    for line in rows:
        stopped = line.kind == "alarm_raised" and "it stopped the delivery" in line.what
        if line.kind not in moves and not stopped:
            continue
        total += rate * Fraction(round((line.at - since).total_seconds()), 3600)
        since = line.at
        stops = stopped or line.kind in ("infusion_paused", "infusion_stopped", "infusion_completed")
        rate = Fraction(0) if stops else Fraction(str(line.rate_ml_h))
    return float(total)


def begun(told: Trace, one: Planted) -> int:
    """Return the first infusion that begins on the channel once it was warned."""
    return next(
        n for n, i in enumerate(told.infusions) if i.channel == one.channel and i.started_at >= one.begins
    )


def check_volume(told: Trace, number: int) -> None:
    infusion = told.infusions[number]
    assert infusion.volume_ml is not None
    whole = infusion.volume_ml + (infusion.volume_keep_open_ml or 0)
    assert whole == pytest.approx(by_hand(told, number), abs=1e-6)


def test_tenfold_brought_inside(demo: Demo) -> None:
    for one in demo.planted("tenfold_brought_inside"):
        told = demo.trace(one)
        finding = next(f for f in told.findings if f.rule == "entered_step")
        assert finding.size == pytest.approx(10, rel=1e-6)
        assert (finding.word, finding.channel) == ("suspicion", one.channel)
        assert "within limits" in finding.what
        check_volume(told, begun(told, one))


def test_tenfold_overridden(demo: Demo) -> None:
    for one in demo.planted("tenfold_overridden"):
        told = demo.trace(one)
        assert "past_limit" in rules(told)
        finding = next(f for f in told.findings if f.rule == "past_limit")
        assert finding.size is not None
        assert finding.size > 1
        check_volume(told, begun(told, one))


def test_weight_in_pounds(demo: Demo) -> None:
    for one in demo.planted("weight_in_pounds"):
        told = demo.trace(one)
        assert {"weight_in_pounds", "past_limit"} <= set(rules(told))
        typed, meant = re.findall(r"[\d.]+(?= kg)", one.what)
        beside = [f for f in told.findings if f.rule == "weight_in_pounds" and f.size and f.size > 2.2]
        assert [f.size for f in beside] == [pytest.approx(float(typed) / float(meant), rel=1e-9)]
        assert float(typed) / float(meant) == pytest.approx(2.20462, rel=2e-3), "both rounded to 0.1 kg"
        assert typed.removesuffix(".0") in beside[0].what
        assert meant.removesuffix(".0") in beside[0].what


def test_a_weight_that_cannot_be(demo: Demo) -> None:
    for one in demo.planted("implausible_weight"):
        finding = next(f for f in demo.trace(one).findings if f.rule == "weight_implausible")
        assert finding.what == "A weight of 1800 kg was logged."


def test_a_relay_is_no_finding(demo: Demo) -> None:
    for one in demo.planted("relay"):
        told = demo.trace(one)
        pair = [f for f in told.findings if f.rule == "two_channels" and f.at <= one.begins <= f.until_at]
        assert pair == []
        assert len(told.channels) == 2


def test_outside_the_library_after_a_warning(demo: Demo) -> None:
    for one in demo.planted("left_library_after_warning"):
        assert "outside_library" in rules(demo.trace(one))


def test_an_alarm_that_is_never_cleared(demo: Demo) -> None:
    for one in demo.planted("alarm_never_cleared"):
        told = demo.trace(one)
        uncleared = [a for a in told.alarms if a.cleared_at is None and a.raised_at == one.begins]
        assert len(uncleared) == 1
        assert any("clearing never logged" in line.what for line in told.lines if line.at == one.begins)


def test_a_stop_by_an_alarm(demo: Demo) -> None:
    for one in demo.planted("alarm_stops"):
        alarm = next(a for a in demo.trace(one).alarms if a.raised_at == one.begins)
        assert alarm.stopped_delivery
        assert alarm.seconds == (one.ends - one.begins).total_seconds()


@pytest.mark.parametrize("item", ["missing_stretch_bridged", "missing_stretch_unbridged", "truncated_file"])
def test_missing_records(demo: Demo, item: str) -> None:
    for one in demo.planted(item):
        told = demo.trace(one)
        first, last = (int(n) for n in one.what.removeprefix("sequence ").split(" to "))
        gaps = [line.what for line in told.lines if line.what_kind == "gap"]
        assert any(
            f"numbers {first} to {last}: {last - first + 1} records missing" in text for text in gaps
        ), gaps
        assert "log_missing" in rules(told)
        assert any(p.volume_ml.open for p in told.pumped)


def test_a_forgotten_stop_holds_no_invented_amount(demo: Demo) -> None:
    for one in demo.planted("forgotten_stop"):
        told = demo.trace(one)
        lost = [i for i in told.infusions if i.end_kind == "stop_missing"]
        assert lost
        pumped = next(p for p in told.pumped if p.channel == lost[0].channel)
        assert pumped.unknown_s > 0
        assert pumped.volume_ml.high > pumped.volume_ml.seen


@pytest.mark.parametrize(
    "item",
    ["unreadable_impossible_time", "unreadable_no_number", "unreadable_unknown_unit", "unreadable_stop"],
)
def test_what_cannot_be_read_stands_in_the_timeline(demo: Demo, item: str) -> None:
    for one in demo.planted(item):
        number = int(one.what.removeprefix("sequence "))
        asked = Planted(
            one.pump, None, one.begins - timedelta(minutes=5), one.ends + timedelta(minutes=5), ""
        )
        unread = [line for line in demo.trace(asked).lines if line.what_kind == "unread"]
        assert number in [line.sequence for line in unread]


def test_the_fast_clock(demo: Demo) -> None:
    (one,) = demo.planted("fast_clock")
    told = demo.trace(one)
    assert any("47 min fast" in text for text in told.clock)
    for line in (line for line in told.lines if line.pump_clock and line.what_kind == "event"):
        read = datetime.fromisoformat(line.pump_clock).replace(tzinfo=demo.site.zone)
        assert (read.astimezone(UTC) - line.at).total_seconds() in (0, 2820)


def test_the_hour_of_autumn_that_nothing_settles(demo: Demo) -> None:
    (one,) = demo.planted("autumn_hour_unclear")
    told = demo.trace(Planted(one.pump, None, one.begins - timedelta(hours=2), one.ends, ""))
    unsure = [line for line in told.lines if "in the repeated hour" in line.doubt]
    assert unsure
    # the first of them read an hour early: what ran may have run an hour less
    pumped = next(p for p in told.pumped if p.channel == "1")
    assert pumped.volume_ml.low < pumped.volume_ml.seen


def test_the_silent_pump_is_an_empty_timeline(demo: Demo) -> None:
    (one,) = demo.planted("silent_pump")
    assert demo.trace(one).is_empty
