"""The invented hospital, read from its logs: every measure equals what the damaged logs can still show.

The truth is worked out by the generator from what it played and what it damaged, without any of the product's
queries; here the whole path (mappings, events, store, infusions, measures) has to arrive at the same figures.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import pytest

from dripledger.engine import connect
from dripledger.measures import STORE_TABLES, Month, months_in_store, prepare, tabulate
from dripledger.site import Site, load_site
from dripledger.store import Ledger
from dripledger.store.query import query
from tests.conftest import ReadDemo
from tests.marks import LONG

Pair = tuple[Decimal, Decimal]

HOUR, MINUTE = Decimal(3_600_000_000), Decimal(60_000_000)  # microseconds
#: What one unit of numerator and denominator is, where it is a time.
TIMES: dict[str, tuple[Decimal | None, Decimal | None]] = {
    "library_use_hours": (HOUR, HOUR),
    "delivery_lost": (MINUTE, HOUR),
    "alarm_minutes": (MINUTE, HOUR),
    "user_rate_changes": (None, HOUR),
}


@dataclass(frozen=True)
class Demo:
    """A hospital after its logs were read."""

    site: Site
    result: dict[str, Any]
    con: duckdb.DuckDBPyConnection
    months: Sequence[Month]
    _measured: dict[tuple[str, ...], list[dict[str, Any]]] = field(default_factory=dict)

    def truth(self, name: str) -> list[dict[str, str]]:
        with (self.site.root / "truth" / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def measured(self, by: Iterable[str]) -> list[dict[str, Any]]:
        groups = tuple(by)
        if groups not in self._measured:
            self._measured[groups] = tabulate(self.con, self.site, self.months, groups).to_pylist()
        return self._measured[groups]


# two sizes and seeds (the second is more of the same), and the whole demo; both months of the last turn of
# the clocks, and a month that has only begun (all: python -m pytest -m "slow or not slow" THIS FILE)
@pytest.fixture(
    scope="module",
    params=[
        (10, 3, 21),
        pytest.param((8, 2, 5), marks=pytest.mark.slow),
        pytest.param((), marks=LONG),
    ],
    ids=["ten-pumps", "eight-pumps", "as-shipped"],
)
def demo(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, read_demo: ReadDemo
) -> Iterator[Demo]:
    root = tmp_path_factory.mktemp("demo") / "brennick vale"
    told = read_demo(root, **dict(zip(("pumps", "months", "seed"), request.param, strict=False)))
    site = load_site(root)
    with connect() as con:
        # the relations of the measures once for all the tables that are made of them
        Ledger.open(site.store).snapshot().attach(con, STORE_TABLES)
        months = months_in_store(con, site)
        prepare(con, site, months)
        yield Demo(site, told, con, months)


def pair(row: dict[str, Any]) -> Pair:
    return Decimal(row["numerator"] or 0), Decimal(row["denominator"] or 0)


def told(row: dict[str, str]) -> Pair:
    """A truth row's figures; times exactly, rounded as the ledger's amounts are: nine decimal places."""
    top, bottom = row["numerator"], row["denominator"]
    rates = row["measure"].startswith(("delivery_alarm_rate", "pump_alarm_rate"))
    units = (None, HOUR) if rates else TIMES.get(row["measure"], (None, None))
    exact = []
    for shown, column, unit in zip((top, bottom), ("numerator_us", "denominator_us"), units, strict=True):
        exact.append(Decimal(shown) if unit is None else round(Decimal(int(row[column])) / unit, 9))
    return exact[0], exact[1]


def test_measures_equal_what_the_logs_can_show_for_every_month_and_care_area(demo: Demo) -> None:
    truth = demo.truth("recoverable.csv")
    expected = {(row["measure"], row["month"], row["care_area"]): told(row) for row in truth}
    measures = {row["measure"] for row in truth}
    of_areas = [row for row in demo.measured(["care_area"]) if row["care_area"]]
    of_all = {row["measure"] for row in truth if not row["care_area"]}
    of_pumps = [row for row in demo.measured([]) if row["measure"] in of_all]
    found = {
        (row["measure"], row["month"], row.get("care_area") or ""): pair(row)
        for row in (*of_areas, *of_pumps)
        if row["measure"] in measures
    }
    nothing = (Decimal(0), Decimal(0))
    differing = {
        key: {"measured": found.get(key, nothing), "recoverable": expected.get(key, nothing)}
        for key in sorted(expected.keys() | found.keys())
        if rounded(found.get(key, nothing)) != rounded(expected.get(key, nothing))
    }
    assert differing == {}
    assert {measure for measure, _, _ in found} == measures
    assert sum(known > 0 for _, known in expected.values()) > 50


def rounded(figures: Pair) -> Pair:
    return round(figures[0], 9), round(figures[1], 9)


def same(value: object, text: str) -> bool:
    """Whether a value of a table is what the truth says; numbers to nine digits, as they were logged."""
    if isinstance(value, float):
        return text != "" and value == pytest.approx(float(text), rel=1e-9)
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat() == text
    return ("" if value is None else str(value)) == text


ATTEMPTS = """
select
    pump_id as pump, channel, care_area, entry, first_alert_at, last_alert_at, alerts, met_soft, met_hard,
    outcome, limit_side, limit_quantity, limit_value, entered_first,
    case when outcome in ('overridden', 'within_limits') then entered_final end as entered_final,
    limit_multiple
from attempts
order by pump_id, channel, first_alert_at
"""
ALARMS = """
select
    pump_id as pump, channel, alarm_kind as kind, alarm_priority as priority, raised_at, silenced_at,
    cleared_at, raw_count, stopped_delivery as stopped
from alarms
order by pump_id, channel, raised_at, alarm_kind
"""


@pytest.mark.parametrize(
    ("table", "sql", "key"),
    [
        ("attempts", ATTEMPTS, ("pump", "channel", "first_alert_at")),
        ("alarms", ALARMS, ("pump", "channel", "raised_at", "kind")),
    ],
)
def test_every_attempt_and_every_alarm_is_what_happened(
    demo: Demo, table: str, sql: str, key: tuple[str, ...]
) -> None:
    truth = sorted(demo.truth(f"{table}.csv"), key=lambda row: tuple(row[k] for k in key))
    rows = query(Ledger.open(demo.site.store).snapshot(), sql).to_pylist()
    wrong = [
        (column, row[column], expected)
        for row, expected in zip(rows, truth, strict=False)
        for column in row
        if not same(row[column], expected[column])
    ]
    assert wrong == []
    assert len(rows) == len(truth) > 20


def test_device_messages_cannot_tell_limit_alerts(demo: Demo) -> None:
    """Pumps of family C met limits too; nothing of it is measurable, and nobody else's share is diluted."""
    shares = {
        row["measure"]: row
        for row in demo.measured(["source"])
        if row["source"] == "family_c" and row["status"] == "not_measurable"
    }
    for measure in ("soft_alert_share", "override_share", "left_library_share", "user_rate_changes"):
        assert shares[measure]["reason"], measure
    happened = sum(
        int(r["numerator"]) for r in demo.truth("happened.csv") if r["measure"] == "soft_alert_share"
    )
    shown = sum(
        int(r["numerator"]) for r in demo.truth("recoverable.csv") if r["measure"] == "soft_alert_share"
    )
    assert shown < happened


def test_damage_is_in_the_figures(demo: Demo) -> None:
    """Without a difference between both truths the test above would hold for an undamaged log too."""
    happened, recoverable = demo.truth("happened.csv"), demo.truth("recoverable.csv")
    assert sum(a != b for a, b in zip(happened, recoverable, strict=True)) > 10


def test_coverage_and_completeness_equal_what_the_logs_can_show(demo: Demo) -> None:
    found = {(row["measure"], row["month"]): pair(row) for row in demo.measured([])}
    for row in demo.truth("fleet.csv"):
        if row["truth"] == "recoverable":
            assert found[row["measure"], row["month"]] == pair(row), row


@pytest.mark.parametrize("measure", ["unmapped_share", "clock_corrected_share", "uncertain_share"])
def test_data_quality_equals_what_was_planted(demo: Demo, measure: str) -> None:
    found = {
        (row["month"], row["source"]): pair(row)
        for row in demo.measured(["source"])
        if row["measure"] == measure and row["source"]
    }
    expected = {
        (row["month"], row["source"]): pair(row)
        for row in demo.truth("quality.csv")
        if row["measure"] == measure
    }
    assert found == expected


def test_every_file_balances_as_it_was_written(demo: Demo) -> None:
    columns = ("rows_read", "events_kept", "duplicates", "quarantined", "rows_ignored", "events")
    found = {
        Path(file["path"]).as_posix().removeprefix("inbox/"): {c: file[c] for c in columns}
        for file in demo.result["files"]
    }
    expected = {row["path"]: {c: int(row[c]) for c in columns} for row in demo.truth("files.csv")}
    assert found == expected
    assert demo.result["balanced"] is True
    for column in columns:
        assert demo.result[column] == sum(row[column] for row in expected.values())
