"""What was last seen is looked up in rows as they lie: their order is held to, and no log reads another's."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import nullcontext
from dataclasses import replace
from datetime import timedelta
from random import Random
from typing import Any

import duckdb
import pytest
from tests.generative.awkward_logs import EIGHT, Row, blank
from tests.generative.test_infusions_incremental import SITE, rows, with_events
from tests.generative.test_small_builds import _log
from tests.marks import LONG

from dripledger.engine import SqlFile, load_sql_files
from dripledger.errors import DripledgerError
from dripledger.infusions import build, make_settings
from dripledger.infusions.build import RESULTS
from dripledger.schema.units import register_units

_FILES = load_sql_files("infusions")
_ORDERED = {name for name, file in _FILES.items() if "order" in file.header}
_MODULE = sys.modules["dripledger.infusions.build"]  # the package shows its function by the same name
#: A window that takes rows as they lie.
_AS_THEY_LIE = re.compile(r"over \(\)|\(rows between")
_PLAN_AS_THEY_LIE = re.compile(r"OVER \((ROWS|\))")
#: Steps of a plan that hand rows on in the order in which they get them.
_HAND_ON = {"PROJECTION", "FILTER", "STREAMING_WINDOW", "SEQ_SCAN", "CTE_SCAN", "CTE"}


def _rich_log(draw: Random, pump: int, length: int) -> list[Row]:
    """Draw a log with a secondary now and then, and with whatever else holds until it is told anew."""
    log = _log(draw, pump, length)
    for number, row in enumerate(log):
        if row["channel"] == "A":
            row["fluid_source"] = draw.choice(("primary", "secondary", None, None))
        row["patient_key"] = draw.choice(("one", "two", None, None, None))
        if draw.random() < 0.3:
            row |= {"dose_value": draw.choice((2.0, 4.0)), "dose_unit": draw.choice(("mg/h", "ug/kg/min"))}
        row["occurred_at"] += timedelta(days=pump % 7)
        row["device_time"] += timedelta(days=pump % 7)
        # a mapping may name the unit of each row, whether it has a value or not
        row["concentration_unit"] = draw.choice(("mg/mL", None))
        if row["concentration_unit"] is not None:
            row["concentration_value"] = draw.choice((1.0, 2.0, None))
        if draw.random() < 0.2:
            row |= {"weight_kg": draw.choice((60.0, 80.0)), "library_version": draw.choice(("1", "2"))}
        if draw.random() < 0.2:
            row["volume_to_infuse_ml"] = draw.choice((10.0, 500.0))
        if pump % 2:
            # some numbers are missing, so something was lost
            row |= {"sequence": number + draw.randrange(2) * 1000, "sequence_reliable": True}
    return log


def _built(events: list[Row]) -> dict[str, list[dict[str, Any]]]:
    con = with_events(events)
    try:
        make_settings(con, SITE)
        build(con)
        return {name: rows(con.sql(f"select * from {name}").to_arrow_table(), name) for name in RESULTS}
    finally:
        con.close()


def _renamed(events: list[Row], names: Mapping[str, str]) -> list[Row]:
    return [row | {"pump_id": names[row["pump_id"]]} for row in events]


@pytest.mark.parametrize("small", [True, False])
@pytest.mark.parametrize("seeds", [1, pytest.param(8, marks=LONG), pytest.param(100, marks=pytest.mark.slow)])
def test_no_pump_reads_what_another_logged_before_it(
    seeds: int, small: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lanes, channels and pumps lie in the same rows, by name: it matters not who follows whom."""
    if not small:
        monkeypatch.setattr(_MODULE, "SMALL_EVENTS", 0)
    for seed in range(seeds):
        draw = Random(seed)
        # short logs: what the first rows of a pump leave untold is what another one could tell
        log = [row for pump in range(120) for row in _rich_log(draw, pump, draw.randrange(1, 9))]
        pumps = sorted({row["pump_id"] for row in log})
        built = _built(log)
        assert built["infusions"]
        assert built["attempts"]
        for _ in range(2):
            others = dict(zip(pumps, draw.sample(pumps, len(pumps)), strict=True))
            back = {other: pump for pump, other in others.items()}
            for name, table in _built(_renamed(log, others)).items():
                assert sorted(_renamed(table, back), key=str) == sorted(built[name], key=str), (seed, name)


def test_of_two_states_at_once_nobody_says_which_stopped() -> None:
    """A clock set back shows both; what an alarm stopped is then unknown, on one pump as on each of 200."""
    told = (
        (0, "infusion_started"), (10, "infusion_paused"), (0, "clock_set"), (5, "alarm_raised"),
        (10, "infusion_resumed"), (20, "infusion_stopped"),
    )  # fmt: skip
    log = []
    for pump in range(200):
        for number, (minute, kind) in enumerate(told):
            row = blank(number, EIGHT + timedelta(minutes=minute), kind, "A")
            row |= {"pump_id": f"P{pump}", "event_id": f"{pump}-{number}"}
            row |= {"sequence": number + 1, "sequence_reliable": True}
            if kind in {"infusion_started", "infusion_resumed"}:
                row["rate_ml_h"] = 60.0
            if kind == "alarm_raised":
                row |= {"alarm_kind": "occlusion", "stops_delivery": True}
            log.append(row)
    alarms = _built(log)["alarms"]
    assert len(alarms) == 200
    assert {alarm["stopped_delivery"] for alarm in alarms} == {None}


def _nodes(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield node
    for child in node["children"]:
        yield from _nodes(child)


def _windows(node: dict[str, Any]) -> str:
    """Return what the windows of a step of a plan are, as text; empty: it is none."""
    told = node["extra_info"].get("Projections", []) if "WINDOW" in node["name"] else []
    return " ".join([told] if isinstance(told, str) else told)


@pytest.mark.parametrize("small", [True, False])
def test_what_takes_rows_as_they_lie_reads_one_relation_that_lies_in_order(small: bool) -> None:
    """By the engine's own plans: nothing between the relation and the window puts rows anywhere else."""
    draw = Random(3)
    con = with_events([row for pump in range(8) for row in _rich_log(draw, pump, 40)])
    make_settings(con, SITE)
    build(con, keep_steps=True)
    register_units(con)
    files = {name: file for name, file in _FILES.items() if _AS_THEY_LIE.search(file.text)}
    assert len(files) > 20
    with _MODULE._planned_for(con) if small else nullcontext():
        _hold_to_plans(con, files)
    con.close()


def _hold_to_plans(con: duckdb.DuckDBPyConnection, files: Mapping[str, SqlFile]) -> None:
    for name, file in files.items():
        found = 0
        ((_, told),) = con.execute(f"explain (format json) {file.text}").fetchall()
        for node in (node for tree in json.loads(told) for node in _nodes(tree)):
            if not _PLAN_AS_THEY_LIE.search(_windows(node)):
                continue
            found += 1
            assert node["name"] == "STREAMING_WINDOW", f"{name}: {_windows(node)[:200]}"
            below = list(_nodes(node))
            assert {step["name"] for step in below} <= _HAND_ON, (name, {step["name"] for step in below})
            read = {
                step["extra_info"]["Table"].split(".")[-1] for step in below if step["name"] == "SEQ_SCAN"
            }
            assert len(read) == 1, (name, read)
            assert read <= _ORDERED, (name, read)
        assert found, name


@pytest.mark.parametrize(
    ("order", "wrong"),
    [("place", "2, 1"), ("place desc", "1, 2"), ("channel_place, place", "2, 1"), ("place", "1, 3, 2")],
)
def test_another_order_than_the_one_told_is_refused(order: str, wrong: str) -> None:
    con = with_events([])
    con.execute(
        f"create table lane_log as select unnest([{wrong}]) as place, cast(1 as bigint) as channel_place"
    )
    file = replace(_FILES["lane_log"], header={**_FILES["lane_log"].header, "order": order})
    with pytest.raises(DripledgerError, match="laid lane_log down in another order"):
        _MODULE._hold_to_order(con, file)
    con.execute(f"create or replace table lane_log as select * from lane_log order by {order}")
    _MODULE._hold_to_order(con, file)
    con.close()
