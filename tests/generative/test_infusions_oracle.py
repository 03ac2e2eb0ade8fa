"""The product's SQL against the slow oracle, on logs that nobody would write by hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from tests.generative.awkward_logs import Row, fleets, pump_logs
from tests.generative.oracle import in_order, rebuild
from tests.marks import LONG
from tests.spec.drawn import by_sql

from dripledger.schema import TABLES
from dripledger.site import Thresholds

CONTEXTS = {"ICU": "clinical", "Ward": "training"}
AMOUNTS = {"volume_ml", "volume_keep_open_ml", "amount", "rate_ml_h", "running_hours", "volume_reported_ml"}
QUIET = {"paused", "stopped_by_alarm", "standby", "delayed", "between_doses", "priming", "unknown"}

# Fixed logs, so that a run today finds what it found yesterday; none looks for the shortest counterexample,
# which takes minutes: the shortest of many logs stands in for it.
usual = settings(
    max_examples=20,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow],
)

#: Share of the awkward logs below (up to 30 events, all kinds) on which the two agree in every column, as
#: measured (the lowest of the three seeds), and what a change may take from it before somebody has to look.
MEASURED_SHARE, MARGIN = 0.959, 0.01


def drawn_logs(count: int, number: int, *, most: int, rare: bool) -> list[Row]:
    """Logs of that many pumps in one table: one build tries them all."""
    logs: list[list[Row]] = []

    @seed(number)
    @settings(
        max_examples=count,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(pump_logs(most=most, rare=rare))
    def draw(log: list[Row]) -> None:
        logs.append(log)

    draw()
    return [
        row | {"pump_id": f"P{pump:05}", "event_id": f"p{pump:05}{row['event_id']}"}
        for pump, log in enumerate(logs)
        for row in log
    ]


def tidy(table: str, rows: list[Row]) -> list[dict[str, Any]]:
    """Rows with the table's columns, rounded; no rate or drug in a stretch that delivers none."""
    out = []
    for row in rows:
        plain = {name: row[name] for name in TABLES[table].names}
        if table == "segments" and row["state"] in QUIET:
            plain |= {"amount": None, "amount_unit": None, "rate_ml_h": None, "volume_ml": None}
        plain["library_use"] = plain["library_use"] or "unknown"
        for name in AMOUNTS & plain.keys():
            if plain[name] is not None:
                plain[name] = round(float(Decimal(str(plain[name]))), 8)
        out.append(plain)
    return out


def differences(table: str, by_oracle: list[Row], found: list[Row]) -> list[str]:
    """What differs, one line a row and column; empty where the two agree to 1e-9."""
    ours, theirs = tidy(table, by_oracle), tidy(table, found)
    lines = (
        [] if len(ours) == len(theirs) else [f"{table}: {len(ours)} rows by the oracle, {len(theirs)} by SQL"]
    )
    for place, (a, b) in enumerate(zip(ours, theirs, strict=False)):
        for name in a:
            if name in AMOUNTS and a[name] is not None and b[name] is not None:
                if abs(a[name] - b[name]) <= 1e-8:
                    continue
            elif a[name] == b[name]:
                continue
            lines.append(f"{table}[{place}].{name}: oracle {a[name]!r}, SQL {b[name]!r}")
    return lines


def by_pump(rows: list[Row]) -> dict[str, list[Row]]:
    """Rows of each pump."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row["pump_id"], []).append(row)
    return found


def disagreements(events: list[Row]) -> dict[str, list[str]]:
    """What differs on each pump on which SQL and oracle do not agree in every column of both tables."""
    segments, infusions = map(by_pump, rebuild(events, contexts=CONTEXTS))
    sql_segments, sql_infusions = map(by_pump, by_sql(events, CONTEXTS, Thresholds()))
    found = {}
    for pump in by_pump(events):
        lines = differences("infusions", infusions.get(pump, []), sql_infusions.get(pump, []))
        lines += differences("segments", segments.get(pump, []), sql_segments.get(pump, []))
        if lines:
            found[pump] = lines
    return found


def shortest(events: list[Row], found: dict[str, list[str]]) -> str:
    """The shortest log on which they disagree, and in what."""
    logs = by_pump(events)
    pump = min(found, key=lambda name: (len(logs[name]), name))
    told = "\n".join(found[pump])
    for e in in_order(logs[pump])[0]:
        logged = {k: v for k, v in e.items() if v not in (None, []) and k in _TELLING}
        told += f"\n  {e['event_id']} {e['occurred_at']:%H:%M:%S} {e['channel'] or '-'} "
        told += f"{e['sequence']} {e['kind']} {logged}"
    return told


_TELLING = {
    "rate_ml_h", "entry", "library_use", "concentration_value", "dose_value", "dose_unit",
    "volume_to_infuse_ml", "fluid_source", "initiator", "bolus_adds_to_basal", "volume_delivered_ml",
    "volume_scope", "alarm_kind", "stops_delivery", "care_area", "weight_kg", "library_version", "unmapped",
    "running_logged", "patient_key",
}  # fmt: skip


@pytest.mark.parametrize("count", [200, pytest.param(600, marks=LONG)])
def test_sql_says_what_the_oracle_says(count: int) -> None:
    """Every column of both tables, on many logs of the usual kinds."""
    events = drawn_logs(count, 11, most=20, rare=False)
    found = disagreements(events)
    if found:
        pytest.fail(f"{len(found)} logs differ; the shortest:\n{shortest(events, found)}", pytrace=False)


@pytest.mark.slow
@pytest.mark.parametrize("number", [23, 31, 47])
def test_sql_and_oracle_agree_on_nearly_all_long_and_rare_logs(number: int) -> None:
    """Not all: the text does not say what every kind in any order means, and the two differ on a few."""
    events = drawn_logs(2000, number, most=30, rare=True)
    found = disagreements(events)
    share = 1 - len(found) / len(by_pump(events))
    told = f"they agree in every column on {share:.2%} of the logs"
    if found:
        told += f"; the shortest other:\n{shortest(events, found)}"
    print(told)
    assert share >= MEASURED_SHARE - MARGIN, told


def test_the_order_of_the_rows_changes_nothing() -> None:
    """Files come in any order; what is rebuilt is the same to the last digit."""
    events = drawn_logs(120, 17, most=20, rare=True)
    shuffled = list(events)
    Random(17).shuffle(shuffled)
    logs = by_pump(events)
    for ours, theirs in zip(
        by_sql(events, CONTEXTS, Thresholds()), by_sql(shuffled, CONTEXTS, Thresholds()), strict=True
    ):
        one, two = by_pump(ours), by_pump(theirs)
        differ = {pump for pump in one.keys() | two.keys() if one.get(pump) != two.get(pump)}
        if differ:
            pump = min(differ, key=lambda name: (len(logs[name]), name))
            assert one.get(pump) == two.get(pump), f"{len(differ)} logs; the shortest: {logs[pump]}"
        assert ours == theirs


def _check_invariants(events: list[Row], engine: Callable[[list[Row]], tuple[list[Row], list[Row]]]) -> None:
    segments, infusions = engine(events)
    known = {i["infusion_id"]: i for i in infusions}
    assert len(known) == len(infusions)
    for row in segments:
        assert row["started_at"] < row["ended_at"]
        assert row["infusion_id"] in known
    parts: dict[str, list[Row]] = {}
    for row in segments:
        parts.setdefault(row["infusion_id"], []).append(row)
    for infusion in infusions:
        own = parts.get(infusion["infusion_id"], [])
        ran = [s for s in own if s["state"] in {"running", "bolus"}]
        hours = sum(((s["ended_at"] - s["started_at"]) for s in ran), timedelta(0)) / timedelta(hours=1)
        assert abs(infusion["running_hours"] - hours) < 1e-9
        known_parts = [s["volume_ml"] for s in ran if s["volume_ml"] is not None]
        if len(known_parts) == len(ran):
            assert infusion["volume_ml"] == sum(known_parts, Decimal(0))
        assert (infusion["ended_at"] is None) == (infusion["end_kind"] == "open")
        assert infusion["continues_infusion_id"] in {None, *known} - {infusion["infusion_id"]}
        assert not (infusion["false_start"] and infusion["end_kind"] == "open")


@settings(usual, max_examples=60)
@given(fleets())
def test_the_oracle_keeps_its_own_books(events: list[Row]) -> None:
    """Hours and volumes of an infusion are those of its segments; only open infusions have no end."""
    _check_invariants(events, lambda rows: rebuild(rows, contexts=CONTEXTS))


def test_the_sql_keeps_its_books() -> None:
    """The same of the SQL, whatever the oracle says."""
    events = drawn_logs(120, 19, most=20, rare=True)
    _check_invariants(events, lambda rows: by_sql(rows, CONTEXTS, Thresholds()))


@settings(usual, max_examples=60)
@given(fleets())
def test_segments_of_a_channel_never_overlap(events: list[Row]) -> None:
    """Ruling 19: at any moment a channel is in one state of one infusion (a clock set back apart)."""
    for pump in {event["pump_id"] for event in events}:
        times = [event["occurred_at"] for event in in_order([e for e in events if e["pump_id"] == pump])[0]]
        if times != sorted(times):
            events = [event for event in events if event["pump_id"] != pump]
    segments, _ = rebuild(events, contexts=CONTEXTS)
    for before, after in pairwise(segments):
        if (before["pump_id"], before["channel"]) == (after["pump_id"], after["channel"]):
            assert before["ended_at"] <= after["started_at"]
