"""Programmings, attempts and alarms in the store equal a full build's, wherever the events are split."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from random import Random
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.generative.test_attempts_oracle import ANY_LOGS, RECORDS, Row, numbered
from tests.generative.test_infusions_incremental import SITE, MemoryWriter, rows, with_events
from tests.marks import LONG

from dripledger.infusions import build, make_settings, make_source_records, update
from dripledger.infusions.build import RESULTS
from dripledger.schema import TABLES

Records = Mapping[str, Sequence[str]]


class Store(MemoryWriter):
    """A writer in memory that also keeps what each source declared."""

    def declare(self, number: int, records: Records) -> pa.Table:
        """Return the ledger's ingests with one more, which declares what each source can log."""
        new = [
            dict.fromkeys(TABLES["ingests"].names)
            | {
                "ingest_id": f"i{number}",
                "source_name": name,
                "records_json": json.dumps(list(kinds)),
                "ingested_at": datetime(2026, 3, 10, number, tzinfo=UTC),
            }
            for name, kinds in records.items()
        ]
        known = self.tables["ingests"].to_pylist()
        return pa.Table.from_pylist(known + new, schema=TABLES["ingests"].arrow_schema)


def take(store: Store, number: int, events: Sequence[Row], new: Sequence[Row], records: Records) -> None:
    """Update the store for new events, as an ingest does."""
    con = with_events(events)
    store.new["ingests"] = store.declare(number, records)
    pumps = sorted({(e["facility"], e["pump_id"]) for e in new})
    schema = pa.schema([("facility", pa.string()), ("pump_id", pa.string())])
    update(
        store,
        con,
        SITE,
        pa.Table.from_pylist([dict(zip(schema.names, p, strict=True)) for p in pumps], schema=schema),
    )
    store.tables["ingests"] = store.new.pop("ingests")
    con.close()


def full(store: Store, events: Sequence[Row]) -> dict[str, list[dict[str, Any]]]:
    """Build everything at once, with what the sources declared last."""
    con = with_events(events)
    store.attach(con, ["ingests"])
    make_settings(con, SITE)
    make_source_records(con)
    build(con)
    found = {name: rows(con.sql(f"select * from {name}").to_arrow_table(), name) for name in RESULTS}
    con.close()
    return found


# many pumps at once and few builds: a build of two pumps takes as long as one of twelve
@pytest.mark.parametrize(
    ("examples", "pumps"),
    [(1, 24), pytest.param(2, 36, marks=LONG), pytest.param(15, 12, marks=pytest.mark.slow)],
)
def test_any_split_gives_what_a_full_build_gives(examples: int, pumps: int) -> None:
    """Several pumps' events arrive in up to four parts, in any order: late rows change what stood before."""
    few = settings(
        max_examples=examples, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )
    few(given(st.lists(ANY_LOGS, min_size=pumps // 2, max_size=pumps), st.integers(0, 2**32))(_split))()


def _split(logs: list[list[Row]], seed: int) -> None:
    events = [
        e | {"pump_id": f"P{n}", "event_id": f"{n}-{e['event_id']}"}
        for n, log in enumerate(logs)
        for e in log
    ]
    chance = Random(seed)
    parts: list[list[Row]] = [[], [], [], []]
    for e in events:
        parts[chance.randrange(4)].append(e)
    store, known = Store(), []
    for number, part in enumerate(parts, start=1):
        known = known + part
        take(store, number, known, part, RECORDS)
    wanted = full(store, events)
    for name in RESULTS:
        assert rows(store.tables[name], name) == wanted[name]


@pytest.mark.parametrize(
    "first",
    [True, pytest.param(False, marks=LONG)],
    ids=["learns to log clearing", "no longer logs clearing"],
)
def test_a_source_that_declares_clearing_anew_touches_its_pumps(first: bool) -> None:
    """Pump P1 gets no new event, but its alarms read otherwise once its source can log clearing."""
    alarm = {"alarm_kind": "occlusion", "source_name": "wards"}
    told = [
        (0, {"kind": "alarm_raised", "channel": "A"} | alarm),
        (300, {"kind": "alarm_raised", "channel": "A"} | alarm),
        (60, {"kind": "alarm_cleared", "channel": "A"} | alarm),
    ]
    one = numbered(told, False, False)
    two = [e | {"pump_id": "P2", "event_id": "x" + e["event_id"]} for e in one]
    mute, all_kinds = {"wards": ["alarm_raised"]}, {"wards": ["all"]}
    store = Store()
    take(store, 1, one, one, mute if first else all_kinds)
    take(store, 2, one + two, two, all_kinds if first else mute)
    wanted = full(store, one + two)
    assert [(r["pump_id"], r["raw_count"]) for r in wanted["alarms"]] == (
        [("P1", 2), ("P2", 2)] if first else [("P1", 1), ("P1", 1), ("P2", 1), ("P2", 1)]
    )
    for name in RESULTS:
        assert rows(store.tables[name], name) == wanted[name]
