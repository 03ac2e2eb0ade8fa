"""One hospital, its limit alerts written in each form that a log takes: the same attempts (ruling 36).

Alert row then key row; one row with the decision; override row alone. By default a third of the pumps write
in each form; here all of them write in one, three times over, and everything else is the same.
"""

from __future__ import annotations

from typing import Any

import pytest

from dripledger.events.ingest import ingest
from dripledger.hospital import generate
from dripledger.hospital.attempts import FORMS
from dripledger.site import load_site
from dripledger.store import Ledger
from dripledger.store.query import query
from tests.marks import LONG

pytestmark = LONG  # the rule itself: spec/test_attempts_forms.py

#: What an attempt is, but for the times of its rows: without an alert row the log cannot tell when it began.
#: Infusions are told apart by when they began.
WHAT = """
select
    a.pump_id, a.channel, a.care_area, a.entry, i.started_at, a.alerts, a.met_soft, a.met_hard, a.outcome,
    a.limit_side, a.limit_quantity, a.limit_value, a.limit_unit, a.entered_first, a.entered_final,
    a.limit_multiple, a.change_factor, a.reversed
from attempts as a left join infusions as i on a.infusion_id = i.infusion_id
order by a.pump_id, a.channel, a.first_alert_at
"""
KINDS = "select kind, decision_logged is not null as decided, count(*) as n from events group by all"


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, list[dict[str, Any]]]]:
    out = {}
    for form in FORMS:
        root = tmp_path_factory.mktemp("forms") / form
        generate(root, pumps=10, months=3, seed=21, form=form)
        site = load_site(root)
        ingest(site, [])
        snapshot = Ledger.open(site.store).snapshot()
        out[form] = {
            "attempts": query(snapshot, WHAT).to_pylist(),
            "kinds": query(snapshot, KINDS).to_pylist(),
        }
    return out


@pytest.mark.parametrize("form", FORMS[1:])
def test_the_same_attempts_in_every_form(told: dict[str, Any], form: str) -> None:
    first, other = told[FORMS[0]]["attempts"], told[form]["attempts"]
    assert len(first) > 50
    assert {row["outcome"] for row in first} >= {"overridden", "within_limits", "left_library", "unchanged"}
    assert other == first


def test_the_forms_are_what_they_say(told: dict[str, Any]) -> None:
    """Without a difference in the logs the test above would compare a hospital with itself."""
    rows, one, alone = (
        {(row["kind"], row["decided"]): row["n"] for row in told[form]["kinds"]} for form in FORMS
    )
    assert ("limit_alerted", True) not in rows
    single = [
        row
        for row in told["rows"]["attempts"]
        if row["outcome"] == "overridden" and row["alerts"] == 1 and row["limit_quantity"] != "weight"
    ]
    assert len(single) > 20
    assert alone["limit_alerted", False] == rows["limit_alerted", False] - len(single)
    assert alone["limit_overridden", False] == rows["limit_overridden", False]
    decided = ("limit_overridden", "reprogrammed_within_limits")
    answered = [sum(count.get((kind, False), 0) for kind in decided) for count in (rows, one)]
    assert one["limit_alerted", True] == answered[0] - answered[1] > 20
