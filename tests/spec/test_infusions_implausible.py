"""Events that are readable and cannot be true: kept, and what rests on them is not called certain."""

from __future__ import annotations

from tests.spec.drawn import connection_with, events_of

from dripledger.infusions import build
from dripledger.site import Thresholds


def rebuilt(log: str, doubts: dict[str, list[str]]):
    """Rebuild a drawn log; `doubts` names the checks that events fail: event_id -> checks."""
    events = events_of(log)
    for event in events:
        event["implausible"] = doubts.get(event["event_id"], [])
    con = connection_with(events, {}, Thresholds())
    build(con)
    return con


def test_a_clock_that_was_never_set_makes_the_infusion_uncertain():
    """A start at the clock's origin and a stop at the true time bound no hours that anybody may rely on."""
    log = """
        at                   | sequence | kind             | rate_ml_h | library_use
        1970-01-01T00:00:00Z | 1        | infusion_started | 10        | bypassed
        08:00                | 2        | infusion_stopped |           |
    """
    told = rebuilt(log, {"e1": ["clock_at_its_origin"]}).sql("select uncertain from infusions").fetchall()
    assert told == [(True,)]
    assert rebuilt(log, {}).sql("select uncertain from infusions").fetchall() == [(False,)]


def test_a_negative_rate_has_hours_and_no_volume():
    """Nothing flows back: the hours ran, what was delivered is not known, and it takes nothing off a total."""
    log = """
        at    | sequence | kind             | rate_ml_h | library_use
        08:00 | 1        | infusion_started | -5        | bypassed
        09:00 | 2        | infusion_stopped |           |
    """
    con = rebuilt(log, {"e1": ["rate_negative"]})
    assert con.sql("select running_hours, volume_ml, uncertain from infusions").fetchall() == [
        (1.0, None, True)
    ]
    assert con.sql("select rate_ml_h, volume_ml from segments").fetchall() == [(-5.0, None)]
