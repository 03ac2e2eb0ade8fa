"""Score and exact intervals of a share against published tables.

Marks: V1 read in the source itself, V2 read in a text that quotes the source, C computed from a formula
that is V1 or V2. Each row of ``intervals.csv`` names its source.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from dripledger.statistics import clopper_pearson, wilson

ROWS = list(
    csv.DictReader((Path(__file__).parent / "intervals.csv").read_text(encoding="utf-8").splitlines())
)


@pytest.mark.parametrize(
    "row", ROWS, ids=lambda r: f"{r['method']}-{r['x']}-of-{r['n']}-at-{r['level']}-{r['mark']}"
)
def test_interval_is_the_published_one(row: dict[str, str]) -> None:
    x, n, level = [int(row["x"])], [int(row["n"])], float(row["level"])
    if row["method"] == "exact":
        found = clopper_pearson(x, n, level)
    else:
        found = wilson(x, n, level, continuity=row["method"] == "corrected")
    tolerance = 0.5000001 * 10 ** -int(row["places"])
    assert abs(float(found.low[0]) - float(row["low"])) <= tolerance
    assert abs(float(found.high[0]) - float(row["high"])) <= tolerance


def test_every_row_names_its_source_and_mark() -> None:
    assert all(row["source"] and row["mark"] in ("V1", "V2", "C") for row in ROWS)
    assert sum(row["mark"] == "V2" for row in ROWS) == 6
