"""The pump's own total: trace, finding and infusions tell one figure; so do the bounds of what was pumped."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.event_samples import drop, make_site

from dripledger.events import ingest
from dripledger.incidents.model import Trace
from dripledger.incidents.tracing import Asked, trace
from dripledger.site import load_site
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
library_use = "Use"
[kinds]
START = "infusion_started"
RATE = "rate_changed"
STOP = "infusion_stopped"
VOL = "volume_reported"
KEY = "key_pressed"
"""
HEADER = "Time,Seq,Event,Channel,Drug,Rate,Strength,Unit,Volume,Scope,Use,Device\n"
ASKED = Asked("P1", None, datetime(2026, 10, 1, 7, tzinfo=UTC), datetime(2026, 10, 1, 20, tzinfo=UTC))
START = "START,A,Linol,10,,"


def traced(folder: Path, *rows: str, reliable: bool = True) -> Trace:
    """Trace a log of rows ``HH:MM:SS, label, channel, drug, rate, strength, unit, volume, scope``."""
    make_site(folder, {"pumps": PUMPS.replace("reliable = true", f"reliable = {str(reliable).lower()}")})
    site = load_site(folder)
    lines = []
    for number, row in enumerate(rows, 1):
        cells = [cell.strip() for cell in row.split(",")]
        cells += [""] * (9 - len(cells)) + ["limited" if cells[1] == "START" else "", "P1"]
        lines.append(",".join([f"2026-10-01 {cells[0]}", str(number), *cells[1:]]))
    drop(site, "pumps.csv", HEADER + "\n".join(lines) + "\n")
    ingest(site, (), build=True)
    return trace(site, Ledger.open(site.store).snapshot(), ASKED)


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
def test_one_total_of_the_pump(tmp_path: Path, rows: tuple[str, ...], scope: str, total: float) -> None:
    told = traced(tmp_path, f"08:00:00,{START}", *rows)
    (reported,) = told.pumped[0].reported
    assert (reported.scope, reported.reported_ml, reported.computed_ml) == (scope, total, total)
    assert [i.volume_reported_ml for i in told.infusions] == [total]
    assert [f.rule for f in told.findings if f.rule == "volume_differs"] == []


def test_one_drug_in_two_units_is_one_amount(tmp_path: Path) -> None:
    # 10 mL/h x 1 h x 1 mg/mL = 10 mg; 10 mL/h x 10 h x 100 ug/mL = 10 000 ug = 10 mg
    told = traced(
        tmp_path,
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


def test_units_of_other_kinds_stay_apart(tmp_path: Path) -> None:
    told = traced(
        tmp_path,
        "08:00:00,START,A,Linol,10,1,mg/mL",
        "09:00:00,STOP,A",
        "09:30:00,START,A,Linol,10,1,mmol/mL",
        "10:30:00,STOP,A",
    )
    assert [(d.unit, d.amount.seen) for d in told.pumped[0].drugs] == [("mg", 10), ("mmol", 10)]


BAD = "09:00:00,STOP,A,,abc"
UNFILED = "09:00:00,HUSH,A"


@pytest.mark.parametrize("hidden", [BAD, UNFILED])
@pytest.mark.parametrize("then", ["09:00:10,KEY,,", "09:00:10,KEY,A", "09:00:10,RATE,B,,5"])
def test_only_the_channels_own_proof_that_it_runs_ends_a_hole(tmp_path: Path, hidden: str, then: str) -> None:
    # 10 mL/h from 08:00 to 12:00, then 20 to 13:00: 60 mL; what nobody could read at 09:00 may have
    # stopped it, and a key, or the other channel, says nothing of that: 10 + 20 mL are sure,
    # less what flows in a second at their edges
    told = traced(tmp_path, f"08:00:00,{START}", hidden, then, "12:00:00,RATE,A,,20", "13:00:00,STOP,A",
                  reliable=hidden != BAD)  # fmt: skip
    (amount,) = [p.volume_ml for p in told.pumped if p.channel == "A"]
    assert (amount.seen, amount.open) == (60, True)
    assert amount.low == pytest.approx(30, abs=0.02)


@pytest.mark.parametrize("proof", ["10:00:00,VOL,A,,,,,20,infusion", "10:00:00,RATE,A,,10"])
def test_what_proves_that_it_runs_ends_a_hole(tmp_path: Path, proof: str) -> None:
    told = traced(tmp_path, f"08:00:00,{START}", UNFILED, proof, "13:00:00,STOP,A")
    (amount,) = [p.volume_ml for p in told.pumped if p.channel == "A"]
    assert amount.low == pytest.approx(40, abs=0.02)


def test_a_counter_that_stood_still_proves_nothing(tmp_path: Path) -> None:
    told = traced(
        tmp_path,
        f"08:00:00,{START}",
        "08:59:00,VOL,A,,,,,10,infusion",
        UNFILED,
        "10:00:00,VOL,A,,,,,10,infusion",
        "13:00:00,STOP,A",
    )
    (amount,) = [p.volume_ml for p in told.pumped if p.channel == "A"]
    assert amount.low == pytest.approx(10, abs=0.02)


def test_a_hole_that_nothing_ends_reaches_as_far_as_the_window(tmp_path: Path) -> None:
    told = traced(tmp_path, f"08:00:00,{START}", UNFILED, "12:00:00,KEY,A")
    (amount,) = [p.volume_ml for p in told.pumped if p.channel == "A"]
    assert amount.low == pytest.approx(10, abs=0.02)
