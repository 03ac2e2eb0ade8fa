"""The pump's own total: trace, finding and infusions tell one figure; so do the bounds of what was pumped."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import mkdtemp
from zoneinfo import ZoneInfo

import pytest
from tests.event_samples import drop, make_site
from tests.marks import LONG

from dripledger.events import ingest
from dripledger.incidents.model import Trace
from dripledger.incidents.packet import make_packet
from dripledger.incidents.page import page_of
from dripledger.incidents.tracing import Asked, trace
from dripledger.incidents.zips import unpack
from dripledger.site import Site, load_site
from dripledger.store import Ledger

PUMPS = """
pattern = ["*.csv"]
shape = "delimited"
records = ["all"]
sequence_reliable = true
[time]
zone = "UTC"
[fields]
pump_id = "Device"
device_time = "Time"
sequence = "Seq"
kind = "Event"
channel = "Channel"
entry = "Drug"
rate_ml_h = { field = "Rate", unit = "mL/h" }
concentration_value = "Strength"
concentration_unit = "Unit"
volume_delivered_ml = "Volume"
volume_scope = "Scope"
dose_value = "Dose"
dose_unit = "DoseUnit"
library_use = "Use"
[kinds]
START = "infusion_started"
RATE = "rate_changed"
STOP = "infusion_stopped"
PAUSE = "infusion_paused"
HUM = { ignore = "sign of life" }
VOL = "volume_reported"
KEY = "key_pressed"
ON = "powered_on"
"""
HEADER = "Time,Seq,Event,Channel,Drug,Rate,Strength,Unit,Volume,Scope,Dose,DoseUnit,Use,Device\n"
ASKED = Asked("P1", None, datetime(2026, 10, 1, 7, tzinfo=UTC), datetime(2026, 10, 1, 20, tzinfo=UTC))
START = "START,A,Linol,10,,"


#: A log, whether its numbers can be relied on, and which number is given to none.
Log = tuple[tuple[str, ...], bool, int | None]


def told_of(pumps: Mapping[str, Log]) -> dict[str, str]:
    """Return an export for each kind of numbers, reliable or not, of every pump's log."""
    lines: dict[str, list[str]] = {}
    for pump, (rows, reliable, missing) in pumps.items():
        # the pump was heard the day through: what lies outside its log would be open
        alive = "00:00:00,HUM", "23:59:59,HUM"
        for number, row in enumerate([alive[0], *rows, alive[1]]):
            cells = [cell.strip() for cell in row.split(",")]
            cells += [""] * (11 - len(cells)) + ["limited" if cells[1] == "START" else "", pump]
            carried = number + (missing is not None and number >= missing)
            line = ",".join([f"2026-10-01 {cells[0]}", str(carried), *cells[1:]])
            lines.setdefault(str(reliable).lower(), []).append(line)
    return {reliable: HEADER + "\n".join(every) + "\n" for reliable, every in lines.items()}


class Sites:
    """A site of pumps whose numbers can be relied on, one of others: each log is a pump of its own.

    One build of many pumps costs what a build of one does. A log that nobody noted has a site to itself.
    """

    def __init__(self, folder: Path, noted: Iterable[Log] = ()) -> None:
        self.folder = folder
        self.pumps = {log: f"P{number}" for number, log in enumerate(dict.fromkeys(noted), 1)}
        for reliable, text in told_of({pump: log for log, pump in self.pumps.items()}).items():
            mapping = PUMPS.replace("reliable = true", f"reliable = {reliable}")
            drop(make_site(folder / reliable, {"pumps": mapping}), "pumps.csv", text)
            ingest(load_site(folder / reliable), (), build=True)

    def of(self, log: Log) -> tuple[Site, Asked]:
        """Return the site that has read a log, and what to ask of it."""
        if log not in self.pumps:
            return Sites(Path(mkdtemp(dir=self.folder)), [log]).of(log)
        return load_site(self.folder / str(log[1]).lower()), replace(ASKED, pump_id=self.pumps[log])


class Traced:
    """Trace rows ``HH:MM:SS, label, channel, drug, rate, strength, unit, volume, scope, dose, unit``.

    A number that is `missing` is given to none of them.
    """

    def __init__(self, sites: Sites) -> None:
        self.sites = sites

    def __call__(
        self,
        *rows: str,
        reliable: bool = True,
        missing: int | None = None,
        between: tuple[datetime, datetime] | None = None,
    ) -> Trace:
        site, asked = self.sites.of((rows, reliable, missing))
        asked = asked if between is None else replace(asked, between=(between,))
        return trace(site, Ledger.open(site.store).snapshot(), asked)


class Noting:
    """Stands in for `Traced` while the tests are played only to note their logs."""

    def __init__(self) -> None:
        self.logs: list[Log] = []

    def __call__(self, *rows: str, reliable: bool = True, missing: int | None = None, **_: object) -> None:
        self.logs.append((rows, reliable, missing))


@pytest.fixture(scope="module")
def traced(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Traced:
    """Return what traces a log; the logs of all tests that were chosen are read first, together."""
    noting = Noting()
    for item in request.session.items:
        if isinstance(item, pytest.Function) and item.module is request.module:
            drawn = item.callspec.params if hasattr(item, "callspec") else {}
            with contextlib.suppress(Exception):  # it is told nothing yet, and runs again in its own turn
                item.function(traced=noting, **drawn)
    return Traced(Sites(tmp_path_factory.mktemp("traced"), noting.logs))


@pytest.mark.parametrize(
    ("rows", "scope", "total"),
    [
        # three readings of one segment at 10 mL/h for 3 h: the last holds all of it, 30 mL
        (("09:00:00,VOL,A,,,,,10,segment", "10:00:00,VOL,A,,,,,20,segment", "11:00:00,STOP,A,,,,,30,segment"),
         "segment", 30),
        # a second segment at 20 mL/h for 1 h beside 20 mL of the first: 40 mL
        (("10:00:00,VOL,A,,,,,20,segment", "10:00:00,RATE,A,,20", "11:00:00,STOP,A,,,,,20,segment"),
         "segment", 40),
        # no scope is a counter since it was cleared: 530 less 510
        (("09:00:00,VOL,A,,,,,510", "10:00:00,VOL,A,,,,,520", "11:00:00,STOP,A,,,,,530"),
         "since_cleared", 20),
        # the pump counts anew at the start that continues: 20 + 10
        (("10:00:00,STOP,A,,,,,20,infusion", "10:05:00,START,A,Linol,10", "11:05:00,STOP,A,,,,,10,infusion"),
         "infusion", 30),
    ],
)  # fmt: skip
def test_one_total_of_the_pump(traced: Traced, rows: tuple[str, ...], scope: str, total: float) -> None:
    told = traced(f"08:00:00,{START}", *rows)
    (reported,) = told.pumped[0].reported
    assert (reported.scope, reported.reported_ml, reported.computed_ml) == (scope, total, total)
    assert [i.volume_reported_ml for i in told.infusions] == [total]
    assert [f.rule for f in told.findings if f.rule == "volume_differs"] == []


def test_a_counter_that_fell_with_no_clear_tells_nothing_of_that_stretch(traced: Traced) -> None:
    # 10 mL/h for 3 h. 08-09 and 10-11 grew by 10 each; between, it fell from 110 to 3: it began anew at a
    # moment that nobody logged, so that hour is on neither side
    told = traced("08:00:00,START,A,Linol,10,,,100", "09:00:00,VOL,A,,,,,110", "10:00:00,VOL,A,,,,,3",
        "11:00:00,STOP,A,,,,,13",
    )  # fmt: skip
    (reported,) = told.pumped[0].reported
    assert (reported.reported_ml, reported.computed_ml) == (20, 20)
    assert [f.rule for f in told.findings] == []
    assert told.infusions[0].volume_reported_ml is None
    # and the page says so: 20 mL are not all that the counter counted between 08:00 and 11:00
    assert told.pumped[0].fell_at == [datetime(2026, 10, 1, 10, tzinfo=UTC)]
    (_, fell) = page_of(told, ZoneInfo("UTC"), [])["pumped"][0]["reported"]
    assert fell.startswith("the pump's own counter was lower at 2026-10-01 10:00:00")


def test_a_counter_that_only_fell_has_no_total_in_the_trace(traced: Traced) -> None:
    told = traced("08:00:00,START,A,Linol,10,,,100,infusion", "09:00:00,STOP,A,,,,,3,infusion")
    assert told.infusions[0].volume_reported_ml is None
    (fell,) = page_of(told, ZoneInfo("UTC"), [])["pumped"][0]["reported"]
    assert "with no reset logged" in fell


def test_a_log_without_numbers_to_rely_on_says_that_losses_cannot_be_seen(traced: Traced) -> None:
    rows = (f"08:00:00,{START}", "09:00:00,STOP,A")
    sure, told = traced(*rows), traced(*rows, reliable=False)
    assert (sure.losses_unseen, sure.loss_caution) == ([], "")
    assert told.losses_unseen == [("pumps", 2, 2)]
    assert told.loss_caution.startswith("Losses cannot be seen in the log of source pumps")
    for document in (told.as_json(), page_of(told, ZoneInfo("UTC"), [])):
        assert told.loss_caution in document["cautions"]


@pytest.mark.slow
@pytest.mark.merge
def test_the_packet_says_in_plain_words_that_losses_cannot_be_seen(traced: Traced) -> None:
    rows = (f"08:00:00,{START}", "09:00:00,STOP,A")
    traced(*rows, reliable=False)
    site, asked = traced.sites.of((rows, False, None))
    data, told = make_packet(site, Ledger.open(site.store).snapshot(), asked)
    members = unpack(data)
    readme = members["README.txt"].decode()
    assert told.loss_caution in " ".join(readme.partition("What it cannot show")[2].split())
    assert told.loss_caution in " ".join(json.loads(members["manifest.json"])["cautions"])
    assert "Losses cannot be seen in the log of source pumps" in members["timeline.html"].decode()


@pytest.mark.slow
@pytest.mark.merge
def test_a_rate_set_as_the_last_thing_seen_bounds_what_ran_on_unseen(traced: Traced) -> None:
    alone = traced("08:00:00,START,A,Linol,60,2,mg/mL", "09:00:00,ON,,")
    # 10 mL/h of 2 mg/mL for half an hour, then set to 60; the pump was switched on again at 09:30, nothing
    # between: 5 mL are seen, up to 60 mL/h x 1 h more. Then 10 mL/h for an hour: 15 to 75 mL, up to 150 mg
    told = traced("08:00:00,START,A,Linol,10,2,mg/mL", "08:30:00,RATE,A,,60", "09:30:00,ON,,",
        "09:40:00,START,A,Linol,10,2,mg/mL", "10:40:00,STOP,A",
    )  # fmt: skip
    (one,) = told.pumped
    assert one.volume_ml.seen == 15
    assert one.volume_ml.high == pytest.approx(75, abs=0.02)
    assert not one.volume_ml.open
    assert one.drugs[0].amount.high == pytest.approx(150, abs=0.04)
    # the first thing that is seen of a delivery may be the last: nothing ran before, and 60 mL/h may have
    # run after it
    (one,) = alone.pumped
    assert one.volume_ml.high == pytest.approx(60, abs=0.02)


def test_one_drug_in_two_units_is_one_amount(traced: Traced) -> None:
    # 10 mL/h x 1 h x 1 mg/mL = 10 mg; 10 mL/h x 10 h x 100 ug/mL = 10 000 ug = 10 mg
    told = traced(
        "08:00:00,START,A,Linol,10,1,mg/mL",
        "09:00:00,STOP,A",
        "09:30:00,START,A,Linol,10,100,ug/mL",
        "19:30:00,STOP,A",
    )
    (drug,) = told.pumped[0].drugs
    assert (drug.entry, drug.unit, drug.amount.seen) == ("Linol", "mg", 20)
    # each of four edges may be off by the second that the log writes: 10 mL/h x 1 s x 1 mg/mL at two,
    # a tenth of it at two
    assert drug.amount.low == pytest.approx(20 - 2 * 10 / 3600 - 2 * 1 / 3600, abs=1e-5)
    assert drug.amount.high == pytest.approx(20 + 2 * 10 / 3600 + 2 * 1 / 3600, abs=1e-5)


@pytest.mark.slow
@pytest.mark.merge
def test_units_of_other_kinds_stay_apart(traced: Traced) -> None:
    told = traced(
        "08:00:00,START,A,Linol,10,1,mg/mL",
        "09:00:00,STOP,A",
        "09:30:00,START,A,Linol,10,1,mmol/mL",
        "10:30:00,STOP,A",
    )
    assert [(d.unit, d.amount.seen) for d in told.pumped[0].drugs] == [("mg", 10), ("mmol", 10)]


BAD = "09:00:00,STOP,A,,abc"
UNFILED = "09:00:00,HUSH,A"


@pytest.mark.parametrize(
    ("then", "hidden"),
    [
        ("09:00:10,KEY,,", BAD),
        pytest.param("09:00:10,KEY,A", BAD, marks=LONG),
        pytest.param("09:00:10,RATE,B,,5", BAD, marks=LONG),
        pytest.param("09:00:10,KEY,,", UNFILED, marks=LONG),
        pytest.param("09:00:10,KEY,A", UNFILED, marks=LONG),
        pytest.param("09:00:10,RATE,B,,5", UNFILED, marks=LONG),
    ],
)
def test_only_the_channels_own_proof_that_it_runs_ends_a_hole(traced: Traced, hidden: str, then: str) -> None:
    # 10 mL/h from 08:00 to 12:00, then 20 to 13:00: 60 mL; what nobody could read at 09:00 may have
    # stopped it, and a key, or the other channel, says nothing of that: 10 + 20 mL are sure,
    # less what flows in a second at their edges. Only what runs is paused
    told = traced(f"08:00:00,{START}", hidden, then, "12:00:00,RATE,A,,20", "13:00:00,PAUSE,A",
                  "13:10:00,STOP,A", reliable=hidden != BAD)  # fmt: skip
    (amount,) = [p.volume_ml for p in told.pumped if p.channel == "A"]
    assert (amount.seen, amount.open) == (60, True)
    assert amount.low == pytest.approx(30, abs=0.02)


@pytest.mark.parametrize(
    ("proof", "end", "low"),
    [
        # 08-09 and 10-13 at 10 mL/h, told anew
        ("10:00:00,RATE,A,,10", "PAUSE", 40),
        # the record may have been a pause, in which 10 was set and nothing ran until it was stopped
        ("10:00:00,RATE,A,,10", "STOP", 10),
        # that it ran is proven, and not at what rate: the record may have changed it. 08-09 is sure
        ("10:00:00,VOL,A,,,,,20,infusion", "STOP", 10),
    ],
)
def test_what_tells_the_rate_ends_the_doubt_of_a_hole(
    traced: Traced, proof: str, end: str, low: float
) -> None:
    told = traced(f"08:00:00,{START}", UNFILED, proof, f"13:00:00,{end},A")
    (amount,) = [p.volume_ml for p in told.pumped if p.channel == "A"]
    assert amount.open
    assert amount.low == pytest.approx(low, abs=0.02)


@pytest.mark.slow
@pytest.mark.merge
def test_a_rate_after_missing_records_is_sure_only_once_it_is_told(traced: Traced) -> None:
    # 10 mL/h from 08:00, number 3 missing between 09:00 and 10:00, where it goes on with no rate named; 20
    # from 11:00 to 12:00. Sure: 10 mL of 08-09, 20 mL of 11-12
    rows = ["08:00:00,START,A,Linol,10", "09:00:00,KEY,A", "10:00:00,VOL,A,,,,,20,infusion",
            "11:00:00,RATE,A,,20", "12:00:00,PAUSE,A"]  # fmt: skip
    told = traced(*rows, missing=3)
    (amount,) = [p.volume_ml for p in told.pumped if p.channel == "A"]
    assert amount.low == pytest.approx(30, abs=0.02)
    assert amount.open
    # the hour before it was told, alone: nothing of it is sure, and why stands beside it
    begins = datetime(2026, 10, 1, 10, 15, tzinfo=UTC)
    span = (begins, begins.replace(minute=45))
    again = traced(*rows, missing=3, between=span)
    (one,) = [p for p in again.pumped if p.begins_at == begins]
    assert (one.volume_ml.seen, one.volume_ml.low, one.volume_ml.open) == (5, 0, True)
    assert one.why_open == ["number 3: 1 record missing"]


def test_doses_without_a_rate_leave_the_volume_open(traced: Traced) -> None:
    # 1000 [IU]/h for 2 h of a drug whose strength nobody logged: 2000 [IU]; of the volume nobody can say
    told = traced("08:00:00,START,A,Heparin,,,,,,1000,[IU]/h", "10:00:00,STOP,A")
    (one,) = told.pumped
    assert (one.volume_ml.seen, one.volume_ml.low, one.volume_ml.open) == (0, 0, True)
    assert one.drugs[0].amount.seen == 2000
    assert not one.drugs[0].amount.open
    assert one.why_open == ["a stretch for which no rate is known"]
    assert [line.volume_ml for line in told.lines] == [None, None]
    assert [line.amount for line in told.lines] == [0, 2000]


@pytest.mark.slow
@pytest.mark.merge
def test_a_counter_that_stood_still_proves_nothing(traced: Traced) -> None:
    told = traced(
        f"08:00:00,{START}",
        "08:59:00,VOL,A,,,,,10,infusion",
        UNFILED,
        "10:00:00,VOL,A,,,,,10,infusion",
        "13:00:00,STOP,A",
    )
    (amount,) = [p.volume_ml for p in told.pumped if p.channel == "A"]
    assert amount.low == pytest.approx(10, abs=0.02)


@pytest.mark.slow
@pytest.mark.merge
def test_a_hole_that_nothing_ends_reaches_as_far_as_the_window(traced: Traced) -> None:
    told = traced(f"08:00:00,{START}", UNFILED, "12:00:00,KEY,A")
    (amount,) = [p.volume_ml for p in told.pumped if p.channel == "A"]
    assert amount.low == pytest.approx(10, abs=0.02)
