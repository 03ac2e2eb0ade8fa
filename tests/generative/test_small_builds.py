"""A small log is planned otherwise, and steps of what it lacks are left out: the result is the same."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import timedelta
from random import Random
from typing import Any

import pytest
from tests.generative.awkward_logs import CONFIRMED, EIGHT, OTHERS, PUMP_LEVEL, STEPS_S, STOPPING, Row, blank
from tests.generative.test_infusions_incremental import SITE, rows, with_events
from tests.marks import LONG

from dripledger.engine import load_sql_files
from dripledger.engine.sqlfiles import build_order
from dripledger.infusions import build, make_settings
from dripledger.infusions.build import RESULTS
from dripledger.schema.units import register_units

_FILES = load_sql_files("infusions")
_NEEDED = {name: file.header["needs"] for name, file in _FILES.items() if "needs" in file.header}
_MODULE = sys.modules["dripledger.infusions.build"]  # the package shows its function by the same name
#: Kinds without which there is no attempt, and no alarm.
_OF_ATTEMPTS = ("limit_alerted", "limit_overridden", "reprogrammed_within_limits")
_OF_ALARMS = ("alarm_raised", "alarm_updated", "alarm_silenced", "alarm_cleared")
_KINDS = (*CONFIRMED, *STOPPING, *OTHERS, *_OF_ATTEMPTS, *_OF_ATTEMPTS, *_OF_ALARMS)


def _log(draw: Random, pump: int, length: int) -> list[Row]:
    """Draw a log of one pump with two channels, rich in warnings and alarms."""
    at, log = EIGHT, []
    for number in range(length):
        at += timedelta(seconds=draw.choice(STEPS_S))
        whole = draw.random() < 0.15
        kind = draw.choice(PUMP_LEVEL if whole else _KINDS)
        row = blank(number, at, kind, "" if whole else draw.choice("AB"))
        row |= {"pump_id": f"P{pump}", "event_id": f"{pump}-{number}"}
        if kind in (*CONFIRMED, *_OF_ATTEMPTS):
            row |= {
                "library_use": draw.choice(("limited", "limited", "bypassed", "unknown", None)),
                "entry": draw.choice(("Heparin", "Propofol", None)),
                "rate_ml_h": draw.choice((5.0, 60.0, 120.0, None)),
                "care_area": draw.choice(("ICU", None)),
            }
        if kind in _OF_ATTEMPTS:
            row |= {
                "limit_kind": draw.choice(("soft", "hard", None)), "limit_side": "high",
                "limit_quantity": "flow_rate", "limit_unit": "mL/h", "limit_value": 50.0,
                "entered_value": draw.choice((60.0, 40.0, None)),
            }  # fmt: skip
        if kind in _OF_ALARMS:
            row |= {"alarm_kind": draw.choice(("occlusion", "low_battery", None)), "stops_delivery": whole}
        if kind == "volume_reported":
            row["volume_delivered_ml"] = float(number)
        log.append(row)
    return log


def _built(events: Sequence[Row], *, keep_steps: bool = False) -> dict[str, list[dict[str, Any]]]:
    con = with_events(events)
    try:
        make_settings(con, SITE)
        build(con, keep_steps=keep_steps)
        return {name: rows(con.sql(f"select * from {name}").to_arrow_table(), name) for name in RESULTS}
    finally:
        con.close()


@pytest.mark.parametrize("seeds", [1, pytest.param(3, marks=LONG), pytest.param(20, marks=pytest.mark.slow)])
@pytest.mark.parametrize(
    "lacking",
    [
        (),
        *(pytest.param(kinds, marks=LONG) for kinds in (_OF_ATTEMPTS, _OF_ALARMS)),
        (*_OF_ATTEMPTS, *_OF_ALARMS),
    ],
    ids=len,
)
def test_however_it_is_planned_the_result_is_one(
    lacking: tuple[str, ...], seeds: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a small log, as a large one, and with every step made; with and without warnings and alarms."""
    for seed in range(seeds):
        draw = Random(seed)
        events = [row for pump in range(8) for row in _log(draw, pump, 30) if row["kind"] not in lacking]
        small = _built(events)
        for result, kinds in (("attempts", _OF_ATTEMPTS), ("alarms", _OF_ALARMS)):
            assert bool(small[result]) != (kinds[0] in lacking), result
        assert small["segments"]
        assert small["infusions"]
        assert small["programmings"]
        with monkeypatch.context() as patched:
            patched.setattr(_MODULE, "SMALL_EVENTS", 0)
            assert _built(events, keep_steps=True) == small


def test_what_needs_a_relation_has_no_row_without_it() -> None:
    """Each such step, made of all else that a rich log gives, once what it needs is emptied."""
    assert set(_NEEDED.values()) == {"alarm_marks", "attempt_sessions"}
    draw = Random(1)
    con = with_events([row for pump in range(8) for row in _log(draw, pump, 30)])
    make_settings(con, SITE)
    build(con, keep_steps=True)
    register_units(con)
    for needed in sorted(set(_NEEDED.values())):
        assert con.execute(f"select count(*) from {needed}").fetchall() != [(0,)], needed
        con.execute(f"create or replace temp table {needed} as select * from {needed} limit 0")
        for file in build_order(_FILES):
            if _NEEDED.get(file.name) == needed:
                con.execute(f"create or replace temp table {file.name} as\n{file.text}")
                assert con.execute(f"select count(*) from {file.name}").fetchall() == [(0,)], file.name
    con.close()


def test_a_step_that_may_be_left_out_is_read_only_where_that_is_known() -> None:
    """By steps that are left out with it; a result stands all the same, without a row."""
    for name, needed in _NEEDED.items():
        for reader, file in _FILES.items():
            if name in file.reads and name not in RESULTS:
                assert _NEEDED.get(reader) == needed, f"{reader} reads {name}"
