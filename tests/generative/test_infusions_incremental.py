"""An update of the store equals a full build, row for row, wherever the events are split."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import Any

import duckdb
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.generative.awkward_logs import Row, blank, pump_logs
from tests.marks import LONG

from dripledger.engine import connect
from dripledger.infusions import build, make_settings, update
from dripledger.infusions.build import RESULTS
from dripledger.schema import TABLES
from dripledger.site import SiteSettings

SITE = SiteSettings(format=1, facility="Linden", time_zone="Europe/Lisbon")
DERIVED = RESULTS


class MemoryWriter:
    """The part of the store's writer that an update uses, over tables in memory; it is its own base."""

    def __init__(self) -> None:
        self.tables = {name: TABLES[name].arrow_schema.empty_table() for name in (*DERIVED, "ingests")}
        self.new: dict[str, pa.Table] = {}
        self.replaced: list[tuple[str, list[str]]] = []

    @property
    def base(self) -> MemoryWriter:
        return self

    def current(self) -> MemoryWriter:
        """Return what is written so far."""
        now = MemoryWriter()
        now.tables = self.tables | self.new
        return now

    def attach(
        self, con: duckdb.DuckDBPyConnection, tables: Sequence[str] | None = None, prefix: str = ""
    ) -> None:
        for name in tables or DERIVED:
            con.register("_memory", self.tables[name])
            con.execute(f"create or replace temp table _kept_{prefix}{name} as select * from _memory")
            con.unregister("_memory")
            con.execute(f'create or replace temp view "{prefix}{name}" as select * from _kept_{prefix}{name}')

    def replace(
        self, table: str, partitions: Sequence[str] | None, data: pa.Table | pa.RecordBatchReader
    ) -> None:
        assert partitions is not None
        new = data if isinstance(data, pa.Table) else data.read_all()
        assert set(new["month"].to_pylist()) <= set(partitions)
        kept = [row for row in self.tables[table].to_pylist() if row["month"] not in set(partitions)]
        schema = TABLES[table].arrow_schema
        self.tables[table] = pa.Table.from_pylist(kept + new.to_pylist(), schema=schema)
        self.replaced.append((table, list(partitions)))


def with_events(events: Sequence[Row]) -> duckdb.DuckDBPyConnection:
    con = connect(threads=1)
    con.register("_events", pa.Table.from_pylist(list(events), schema=TABLES["events"].arrow_schema))
    con.execute("create temp table kept_events as select * from _events")
    con.execute("create temp view events as select * from kept_events")
    con.unregister("_events")
    return con


def full(events: Sequence[Row]) -> dict[str, list[dict[str, Any]]]:
    con = with_events(events)
    make_settings(con, SITE)
    build(con)
    found = {name: rows(con.sql(f"select * from {name}").to_arrow_table(), name) for name in DERIVED}
    con.close()
    return found


def rows(table: pa.Table, name: str) -> list[dict[str, Any]]:
    return sorted(table.to_pylist(), key=lambda row: tuple(str(row[column]) for column in TABLES[name].key))


def ingest(writer: MemoryWriter, events: Sequence[Row], new: Sequence[Row]) -> None:
    con = with_events(events)
    touched = sorted({(row["facility"], row["pump_id"]) for row in new})
    table = pa.table(
        {"facility": [pump[0] for pump in touched], "pump_id": [pump[1] for pump in touched]},
        schema=pa.schema([("facility", pa.string()), ("pump_id", pa.string())]),
    )
    update(writer, con, SITE, table)
    left = con.sql("select count(*) from events").fetchall()[0][0]
    assert left == len(events), "the events stand as before"
    con.close()


# many pumps at once and few builds: a build of two pumps takes as long as one of eight
@pytest.mark.parametrize(
    ("examples", "pumps"),
    [(1, 16), pytest.param(2, 24, marks=LONG), pytest.param(15, 8, marks=pytest.mark.slow)],
)
def test_any_split_gives_what_a_full_build_gives(examples: int, pumps: int) -> None:
    """Several pumps' events arrive in up to four parts, in any order."""
    few = settings(
        max_examples=examples, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )
    logs = st.lists(pump_logs(most=12), min_size=pumps // 2, max_size=pumps)
    few(given(logs, st.integers(0, 2**32))(_split))()


def _split(logs: list[list[Row]], seed: int) -> None:
    events = [
        row | {"pump_id": f"P{n}", "event_id": f"{n}-{row['event_id']}"}
        for n, log in enumerate(logs)
        for row in log
    ]
    draw = Random(seed)
    parts: list[list[Row]] = [[], [], [], []]
    for row in events:
        parts[draw.randrange(4)].append(row)
    writer, known = MemoryWriter(), []
    for part in parts:
        known = known + part
        ingest(writer, known, part)
    wanted = full(events)
    for name in DERIVED:
        assert rows(writer.tables[name], name) == wanted[name]


def test_months_in_which_nothing_changes_are_not_written() -> None:
    """A start in March, then one in April of another pump: March stays as it is."""
    march = blank(1, _at("2026-03-10T08:00"), "infusion_started", "A") | {"rate_ml_h": 60.0}
    stop = blank(2, _at("2026-03-10T09:00"), "infusion_stopped", "A")
    april = blank(3, _at("2026-04-02T08:00"), "infusion_started", "A") | {"rate_ml_h": 30.0}
    writer = MemoryWriter()
    ingest(writer, [march, stop], [march, stop])
    ingest(writer, [march, stop, april], [april])
    assert writer.replaced == [
        ("segments", ["2026-03"]), ("infusions", ["2026-03"]), ("infusions", ["2026-04"]),
    ]  # fmt: skip
    assert [row["month"] for row in rows(writer.tables["infusions"], "infusions")] == ["2026-03", "2026-04"]


def test_the_same_events_again_write_nothing() -> None:
    """Nothing new, nothing written."""
    start = blank(1, _at("2026-03-10T08:00"), "infusion_started", "A") | {"rate_ml_h": 60.0}
    stop = blank(2, _at("2026-03-10T09:00"), "infusion_stopped", "A")
    writer = MemoryWriter()
    ingest(writer, [start, stop], [start, stop])
    before = len(writer.replaced)
    ingest(writer, [start, stop], [stop])
    assert len(writer.replaced) == before


@pytest.mark.parametrize("name", DERIVED)
def test_columns_and_types_are_those_declared(name: str) -> None:
    """A build has the declared columns in the declared order, also over an empty log."""
    con = with_events([])
    make_settings(con, SITE)
    build(con)
    assert con.sql(f"select * from {name}").to_arrow_table().schema.equals(TABLES[name].arrow_schema)
    con.close()


def _at(text: str) -> Any:
    from datetime import UTC, datetime

    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_one_event_that_begins_an_infusion_on_either_line_names_them_apart() -> None:
    """A dose cycle of the primary for another patient opens one there, and splits the bolus beside it."""
    bolus = blank(1, _at("2026-03-10T08:00"), "bolus_started", "A") | {"fluid_source": "secondary"}
    dose = blank(2, _at("2026-03-10T08:05"), "dose_cycle_started", "A") | {"fluid_source": "primary"}
    alert = blank(3, _at("2026-03-10T08:10"), "limit_alerted", "A") | {"limit_kind": "soft"}
    found = full([bolus | {"patient_key": "k1"}, dose | {"patient_key": "k2"}, alert])
    ids = [row["infusion_id"] for row in found["infusions"]]
    assert sorted(ids) == ["e001", "e002", "e002:other_line"]
    assert len(found["attempts"]) == 1
