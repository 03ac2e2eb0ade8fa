"""Two sources report one pump: the timeline shows both, and works with the one whose word counts."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.event_samples import HEADER, WARDS, drop, make_site

from dripledger.events import ingest
from dripledger.incidents.packet import make_packet, read_records
from dripledger.incidents.similar import similar
from dripledger.incidents.tracing import Asked, trace
from dripledger.incidents.zips import unpack
from dripledger.site import Site, load_site
from dripledger.store import Ledger, Snapshot

GATE = WARDS.replace("wards*.csv", "gate*.csv")
RULE = '[[precedence]]\ncounts = "wards"\npumps = ["P1"]\n'
WARD_LOG = HEADER + (
    "P1,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"
    "P1,2026-10-01 10:30:00,2,RATE,ICU,Heparin,50,70\n"
    "P1,2026-10-01 11:00:00,4,STOP,,,,\n"
    "P2,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"
)
#: The gateway tells the same a second later, and carries the number that the ward's export lacks.
GATE_LOG = HEADER + (
    "P1,2026-10-01 10:00:01,11,START,ICU,Heparin,5,70\n"
    "P1,2026-10-01 10:30:01,12,RATE,ICU,Heparin,50,70\n"
    "P1,2026-10-01 10:31:00,3,VOL,,,,\n"
    "P1,2026-10-01 11:00:01,14,STOP,,,,\n"
)
ASKED = Asked("P1", None, datetime(2026, 10, 1, 8, tzinfo=UTC), datetime(2026, 10, 1, 11, tzinfo=UTC))


@pytest.fixture
def traced(tmp_path: Path) -> tuple[Site, Snapshot]:
    make_site(tmp_path, {"wards": WARDS, "gate": GATE}, RULE)
    site = load_site(tmp_path)
    drop(site, "wards.csv", WARD_LOG)
    drop(site, "gate.csv", GATE_LOG)
    ingest(site)
    return site, Ledger.open(site.store).snapshot()


def test_the_other_source_stands_beside_and_nothing_is_worked_out_from_it(
    traced: tuple[Site, Snapshot],
) -> None:
    told = trace(*traced, ASKED)
    assert [(line.what_kind, line.source_name, line.sequence) for line in told.lines] == [
        ("event", "wards", 1), ("aside", "gate", 11), ("event", "wards", 2), ("aside", "gate", 12),
        ("aside", "gate", 3), ("event", "wards", 4), ("aside", "gate", 14),
    ]  # fmt: skip
    aside = [line for line in told.lines if line.what_kind == "aside"]
    assert all("source gate, whose word does not count here" in line.what for line in aside)
    assert {(line.volume_ml, line.infusion, line.limits) for line in aside} == {(None, None, "")}
    # 5 mL/h for half an hour and 50 for another: 27.5 mL, once
    (amount,) = told.pumped
    assert amount.volume_ml.seen == pytest.approx(27.5)
    assert len(told.infusions) == 1
    assert [f.rule for f in told.findings].count("rate_step") == 1
    # number 3 was seen, by the other source: no gap
    assert told.holes == []


def test_a_search_for_siblings_counts_the_step_once(traced: tuple[Site, Snapshot]) -> None:
    (step,) = [f for f in trace(*traced, ASKED).findings if f.rule == "rate_step"]
    table, _ = similar(*traced, step.name)
    assert table.column("findings").to_pylist() == [1]


def test_the_packet_holds_the_records_of_both(traced: tuple[Site, Snapshot]) -> None:
    members = unpack(make_packet(*traced, ASKED)[0])
    assert sorted((r["source"], r["record"]) for r in read_records(members)) == [
        ("gate", 1), ("gate", 2), ("gate", 3), ("gate", 4), ("wards", 1), ("wards", 2), ("wards", 3),
    ]  # fmt: skip


@pytest.mark.parametrize("kind", ["BEAT", "RATE"])
def test_a_number_of_the_counters_life_before_fills_no_hole_of_this_one(tmp_path: Path, kind: str) -> None:
    """The counter began anew: a number 3 of last month, ignored or waiting, is not the one missing."""
    make_site(tmp_path)
    site = load_site(tmp_path)
    rate = "much" if kind == "RATE" else ""
    before = "".join(
        f"P1,2026-09-01 10:0{number}:00,{number},{kind if number == 3 else 'RATE'},ICU,Heparin,"
        f"{rate if number == 3 else 5},70\n"
        for number in range(1, 6)
    )
    drop(site, "wards1.csv", HEADER + before)
    drop(site, "wards2.csv", WARD_LOG)
    ingest(site)
    told = trace(site, Ledger.open(site.store).snapshot(), ASKED)
    october = [hole.why for hole in told.holes if hole.ends_at > ASKED.begins_at]
    assert october == ["number 3: 1 record missing"]
