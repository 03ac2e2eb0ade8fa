"""The product-limit estimate against a worked example that textbooks share.

Source: Freireich EJ et al., Blood 1963;21:699-716: weeks in remission of 21 children with acute leukaemia on
6-mercaptopurine, as worked through in Kleinbaum DG, Klein M, "Survival Analysis: A Self-Learning Text"
(chapter on Kaplan-Meier curves) and in many lecture notes. Data and printed figures from memory; a plus is a
censored time.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from dripledger.statistics.survival import kaplan_meier, survival_quantile

WEEKS = [
    "6", "6", "6", "6+", "7", "9+", "10", "10+", "11+", "13", "16", "17+", "19+", "20+", "22", "23", "25+",
    "32+", "32+", "34+", "35+",
]  # fmt: skip
TIMES = [float(week.rstrip("+")) for week in WEEKS]
SEEN = [not week.endswith("+") for week in WEEKS]


def test_curve_and_standard_errors() -> None:
    with (Path(__file__).parent / "survival.csv").open(encoding="utf-8", newline="") as file:
        printed = list(csv.DictReader(file))
    curve = kaplan_meier(TIMES, SEEN)
    assert curve.time.tolist() == [float(row["weeks"]) for row in printed]
    assert curve.happened.tolist() == [int(row["relapses"]) for row in printed]
    assert curve.at_risk.tolist() == [int(row["at_risk"]) for row in printed]
    assert curve.share == pytest.approx([float(row["share"]) for row in printed], abs=5e-4)
    assert curve.error == pytest.approx([float(row["error"]) for row in printed], abs=5e-5)


def test_median_remission_is_23_weeks() -> None:
    """The median that the sources print; nine of ten are never reached, for only nine relapsed."""
    assert survival_quantile(TIMES, SEEN).value == 23
    assert survival_quantile(TIMES, SEEN, 0.9).value != survival_quantile(TIMES, SEEN, 0.9).value
