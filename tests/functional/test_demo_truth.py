"""The invented hospital, read from its logs: every measure equals what the damaged logs can still show.

The truth is worked out by the generator from what it played and what it damaged, without any of the product's
queries; here the whole path (mappings, events, store, infusions, measures) has to arrive at the same figures.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from dripledger.events.ingest import ingest
from dripledger.hospital import generate
from dripledger.measures import measure_store
from dripledger.site import Site, load_site
from dripledger.store import Ledger

Pair = tuple[Decimal, Decimal]

US_PER_HOUR = 3_600_000_000
SHARES = ("library_use_starts", "library_use_hours", "protected_share")


@dataclass(frozen=True)
class Demo:
    """A hospital after its logs were read."""

    site: Site
    result: dict[str, Any]

    def truth(self, name: str) -> list[dict[str, str]]:
        with (self.site.root / "truth" / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def measured(self, by: Iterable[str]) -> list[dict[str, Any]]:
        rows: list[dict[str, Any]] = measure_store(
            self.site, Ledger.open(self.site.store).snapshot(), by=tuple(by)
        ).to_pylist()
        return rows


# two sizes and seeds; both months of the last turn of the clocks, and a month that has only begun
# (the whole demo by command: python -m pytest -m slow tests/functional/test_demo_truth.py)
@pytest.fixture(
    scope="module",
    params=[(10, 3, 21), (8, 2, 5), pytest.param((None, None, None), marks=pytest.mark.slow)],
    ids=["ten-pumps", "eight-pumps", "as-shipped"],
)
def demo(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Demo:
    pumps, months, seed = request.param
    root = tmp_path_factory.mktemp("demo") / "brennick vale"
    generate(root, pumps=pumps, months=months, seed=seed)
    site = load_site(root)
    return Demo(site, ingest(site, []).as_json())


def pair(row: dict[str, Any]) -> Pair:
    return Decimal(row["numerator"] or 0), Decimal(row["denominator"] or 0)


def hours(row: dict[str, str]) -> Pair:
    """Exact hours of a truth row, rounded as the ledger's amounts are: nine decimal places."""
    exact = [Decimal(int(row[c])) / US_PER_HOUR for c in ("numerator_us", "denominator_us")]
    return round(exact[0], 9), round(exact[1], 9)


def test_measures_equal_what_the_logs_can_show_for_every_month_and_care_area(demo: Demo) -> None:
    expected = {
        (row["measure"], row["month"], row["care_area"]): (
            hours(row) if row["measure"] == "library_use_hours" else pair(row)
        )
        for row in demo.truth("recoverable.csv")
    }
    found = {
        (row["measure"], row["month"], row["care_area"]): pair(row)
        for row in demo.measured(["care_area"])
        if row["measure"] in SHARES
    }
    nothing = (Decimal(0), Decimal(0))
    differing = {
        key: {"measured": found.get(key, nothing), "recoverable": expected.get(key, nothing)}
        for key in sorted(expected.keys() | found.keys())
        if found.get(key, nothing) != expected.get(key, nothing)
    }
    assert differing == {}
    assert sum(known > 0 for _, known in expected.values()) > 50


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
