"""Which source counts is declared; events of the other stay in the ledger, and build nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.event_samples import HEADER, WARDS, drop, make_site, rows

from dripledger.errors import ConfigurationError
from dripledger.events import ingest
from dripledger.site import load_site

GATE = WARDS.replace("wards*.csv", "gate*.csv")
SOURCES = {"wards": WARDS, "gate": GATE}
WARD_LOG = HEADER + (
    "P1,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"
    "P1,2026-10-01 10:30:00,2,RATE,ICU,Heparin,8,70\n"
    "P1,2026-10-01 11:00:00,3,STOP,,,,\n"
    "P2,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"
    "P2,2026-10-01 10:30:00,2,STOP,,,,\n"
)
GATE_LOG = HEADER + "P1,2026-10-01 10:00:01,51,START,ICU,Heparin,5,70\nP1,2026-10-01 11:00:01,52,STOP,,,,\n"
INFUSIONS = "select source_name, pump_id, running_hours, uncertain, volume_ml from infusions order by 2, 3"
RULE = '[[precedence]]\ncounts = "wards"\n'


def test_one_fact_of_two_sources_builds_one_infusion(tmp_path: Path) -> None:
    """The rule comes later: everything is built anew."""
    site = make_site(tmp_path, SOURCES)
    drop(site, "wards.csv", WARD_LOG)
    drop(site, "gate.csv", GATE_LOG)
    ingest(site)
    assert rows(site, "select bool_or(uncertain), sum(running_hours) from infusions") == [(True, 2.5)]
    make_site(tmp_path, SOURCES, RULE + 'pumps = ["P1"]\n')
    ingest(load_site(tmp_path))
    assert rows(site, INFUSIONS) == [("wards", "P1", 1.0, False, 6.5), ("wards", "P2", 0.5, False, 2.5)]
    assert rows(site, "select count(*) from events where source_name = 'gate'") == [(2,)]
    make_site(tmp_path, SOURCES, '[[precedence]]\ncounts = "gate"\npumps = ["P1"]\n' + RULE)
    ingest(load_site(tmp_path))
    assert rows(site, INFUSIONS) == [("gate", "P1", 1.0, False, 5.0), ("wards", "P2", 0.5, False, 2.5)]


def test_rule_for_kinds_leaves_no_gap_in_the_numbers(tmp_path: Path) -> None:
    """A record that is only evidence was not lost."""
    rule = '[[precedence]]\ncounts = "gate"\nkinds = ["rate_changed"]\n'
    site = make_site(tmp_path, SOURCES, rule)
    drop(site, "wards.csv", WARD_LOG)
    ingest(site)
    assert rows(site, INFUSIONS) == [("wards", "P1", 1.0, False, 5.0), ("wards", "P2", 0.5, False, 2.5)]


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ('[[precedence]]\ncounts = "nosuch"\n', "there is no source 'nosuch'"),
        (RULE + 'kinds = ["started"]\n', "there is no kind 'started'"),
    ],
)
def test_rule_that_names_nothing_is_refused(tmp_path: Path, rule: str, words: str) -> None:
    site = make_site(tmp_path, SOURCES, rule)
    drop(site, "wards.csv", WARD_LOG)
    with pytest.raises(ConfigurationError, match=words):
        ingest(site)
    assert not (site.store / "events").exists()
