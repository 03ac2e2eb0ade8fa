"""Under a figure stands what is in it: each line and mark, and nothing that is not there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from tests.event_samples import HEADER, drop, make_site

from dripledger.events import ingest
from dripledger.incidents.figure_key import caption
from dripledger.incidents.model import Trace
from dripledger.incidents.tracing import Asked, trace
from dripledger.site import load_site
from dripledger.store import Ledger

ZONE = ZoneInfo("Europe/Lisbon")
LOG = (
    "P1,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"
    "P1,2026-10-01 10:30:00,2,RATE,ICU,Heparin,7,70\n"
    "P1,2026-10-01 11:00:00,3,STOP,,,,\n"
    "P1,2026-10-01 12:00:00,6,START,ICU,Heparin,5,70\n"
    "P1,2026-10-01 13:00:00,7,STOP,,,,\n"
)


@pytest.fixture
def told(tmp_path: Path) -> Trace:
    from datetime import UTC, datetime

    make_site(tmp_path)
    site = load_site(tmp_path)
    drop(site, "wards.csv", HEADER + LOG)
    ingest(site)
    asked = Asked(
        "P1", None, datetime(2026, 10, 1, 9, tzinfo=UTC), datetime(2026, 10, 1, 12, tzinfo=UTC),
        datetime(2026, 10, 1, 9, 31, tzinfo=UTC),
    )  # fmt: skip
    return trace(site, Ledger.open(site.store).snapshot(), asked)


def test_the_key_names_what_is_there_and_the_moment_that_was_asked_for(told: Trace) -> None:
    text = caption(told, ZONE)
    assert "line: 2026-10-01 10:31:00+01:00, the moment that was asked for" in text
    key = text.partition("Key: ")[2]
    assert key == "solid: rate; hatched xx: records missing."


def test_the_figure_round_a_moment_has_a_key_of_its_own(told: Trace) -> None:
    assert caption(told, ZONE, told.at).endswith("Key: solid: rate.")


def test_without_a_moment_no_line_is_named(told: Trace) -> None:
    assert "line: 2" not in caption(replace(told, at=None), ZONE)
