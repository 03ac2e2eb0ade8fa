"""How often the rules signal where nothing changed; and what is expected of many charts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from tests.benchmarks import false_alarms

from dripledger.statistics import (
    ArrayError,
    Look,
    RuleRates,
    Series,
    expected_false_signals,
    in_control_rates,
    read_chart,
)
from dripledger.statistics.in_control import own_rates


@pytest.mark.slow
@pytest.mark.merge
def test_the_developers_table_is_what_is_measured() -> None:
    document = false_alarms._DOCUMENT.read_text(encoding="utf-8")
    assert false_alarms.shown(document) == false_alarms.table(20_000)


def test_known_limits_have_the_false_alarms_of_the_normal_distribution() -> None:
    """Beyond three sigma, and six points before on the side of this one: both chances are known."""
    series = 20_000
    beyond, shift, *_ = false_alarms.measured(false_alarms.known_limits, series)
    points = series * 24
    for found, chance in ((beyond, math.erfc(3 / math.sqrt(2))), (shift, 0.5**6)):
        # Points of one run depend on each other: at most seven of them share one error.
        error = math.sqrt(7 * chance * (1 - chance) / points)
        assert abs(found / 100 - chance) < 4 * error


def test_short_series_cannot_have_long_patterns() -> None:
    found = in_control_rates(6, counts=True, series=2000)
    assert found.shift == found.trend == 0
    assert in_control_rates(1, counts=False, series=2000) == RuleRates(0, 0, 0, 0, 0)


def test_the_same_seed_gives_the_same_rates() -> None:
    in_control_rates.cache_clear()
    one = in_control_rates(20, counts=True, series=3000)
    in_control_rates.cache_clear()
    assert in_control_rates(20, counts=True, series=3000) == one
    assert one.any <= one.beyond + one.shift + one.trend + one.near
    assert one.any >= max(one[:4])


def test_expected_numbers_add_up() -> None:
    large = Look(24, True, (400.0,) * 24, True, 0.9)
    charts = [large, large, Look(36, False), Look(0, True)]
    found = expected_false_signals(charts)
    one, two = in_control_rates(24, counts=True), in_control_rates(36, counts=False)
    assert found == pytest.approx(tuple(2 * np.array(one) + np.array(two)))
    assert expected_false_signals([]) == RuleRates(0, 0, 0, 0, 0)


def test_nothing_to_simulate_is_refused() -> None:
    with pytest.raises(ArrayError, match="points"):
        in_control_rates(0, counts=True)
    with pytest.raises(ArrayError, match="series"):
        in_control_rates(3, counts=True, series=0)


@pytest.mark.parametrize("share", [True, False])
@pytest.mark.parametrize("expected", [0.3, 2.0, 12.0])
def test_a_chart_of_few_counts_has_the_rates_that_reading_such_charts_gives(
    share: bool, expected: float
) -> None:
    """The simulation is held against charts that `read_chart` reads one by one."""
    charts, points = 400, 20
    size = 60.0 if share else 1.0
    look = Look(points, True, (size,) * points, share, expected / size)
    rng = np.random.Generator(np.random.PCG64(31))
    drawn = (
        rng.binomial(60, expected / 60, (charts, points))
        if share
        else rng.poisson(expected, (charts, points))
    )
    told = 0
    for x in drawn:
        series = Series.COUNTS if share else Series.EVENTS
        found = read_chart(["m"] * points, x, [size] * points, series, enough=[True] * points)
        told += bool(found.points[-1].signals)
    chance = own_rates(look, series=4000).any
    error = math.sqrt(max(chance, 0.005) / charts)
    assert abs(told / charts - chance) < 4 * error
    assert expected_false_signals([look]).any == own_rates(look).any


def test_a_first_event_after_none_is_expected_to_be_no_false_signal() -> None:
    """Of twenty charts of rare events hardly one cries wolf; normal limits would let one in five do so."""
    rare = Look(20, True, (50.0,) * 20, True, 0.2 / 50)
    assert expected_false_signals([rare] * 20).beyond < 0.1
