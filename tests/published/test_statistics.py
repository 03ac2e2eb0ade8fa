"""Statistics against published values; ``statistics.toml`` names sources and marks.

Each test is one published row, so that a failure says which.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dripledger import statistics as st
from dripledger.statistics.charts import rate_fit, share_fit, widened

VALUES: dict[str, Any] = tomllib.loads(
    Path(__file__).with_name("statistics.toml").read_text(encoding="utf-8")
)
Chart = dict[str, Any]


def rows(*names: str) -> Any:
    """The rows of tables as pytest parameters (row, its table), named by table and first numbers."""
    return pytest.mark.parametrize(
        ("row", "table"),
        [
            pytest.param(row, VALUES[name], id="-".join([name, *map(str, row[:4]), VALUES[name]["mark"]]))
            for name in names
            for row in VALUES[name]["rows"]
        ],
    )  # fmt: skip


def close(found: Any, published: float, places: int) -> bool:
    """Whether a number, rounded, is the published one (half a unit of its last place, and a hair)."""
    return bool(abs(float(found) - published) <= 0.5000001 * 10.0**-places)


def series(names: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Numerators and denominators of one or more stages, end to end."""
    found = [VALUES["series"][name] for name in names]
    x = np.concatenate([np.array(s["x"], float) for s in found])
    return x, np.concatenate([np.broadcast_to(np.array(s["n"], float), len(s["x"])) for s in found])


def baseline_of(chart: Chart, points: int) -> np.ndarray:
    mask = np.arange(points) < chart.get("baseline", points)
    mask[[i - 1 for i in chart.get("without", [])]] = False
    return mask


def drawn(chart: Chart) -> st.Chart:
    make = {"p": st.p_chart, "u": st.u_chart, "laney_p": st.laney_p}[chart["kind"]]
    x, n = series(chart["series"])
    return make(x, n, baseline=baseline_of(chart, x.size))


def every_table() -> Iterator[tuple[str, dict[str, Any]]]:
    for name, table in VALUES.items():
        if name == "series":
            yield from ((f"series {key}", {**value, "mark": "V2"}) for key, value in table.items())
        elif isinstance(table, list):
            yield from ((name, {"source": "its series", **row}) for row in table)
        else:
            yield name, table


def test_every_table_names_a_source_and_a_mark() -> None:
    for name, table in every_table():
        assert table["source"], name
        assert table["mark"] in {"V1", "V2", "C"}, name


@rows("newcombe", "newcombe_corrected", "newcombe_corrected_computed")
def test_difference_of_two_shares(row: list[float], table: dict[str, Any]) -> None:
    x1, n1, x2, n2, low, high = row
    found = st.newcombe(x1, n1, x2, n2, continuity=table is not VALUES["newcombe"])
    assert close(found.low, low, table["places"])
    assert close(found.high, high, table["places"])


@rows(*(name for name in VALUES if name.startswith("garwood")))
def test_exact_limits_of_a_count(row: list[float], table: dict[str, Any]) -> None:
    x, low, high = row
    found = st.garwood(x, level=table["level"])
    assert close(found.low, low, table["places"])
    assert close(found.high, high, table["places"])


@rows("rate")
def test_exact_limits_of_a_rate(row: list[float], table: dict[str, Any]) -> None:
    x, exposure, low, high = row
    found = st.garwood(x, exposure)
    assert close(found.low, low, table["places"])
    assert close(found.high, high, table["places"])


@rows("rate_ratio")
def test_exact_ratio_of_two_rates(row: list[float], table: dict[str, Any]) -> None:
    x1, x2, ratio, low, high, p = row
    found = st.rate_ratio(x1, 1, x2, 1)
    assert x1 / x2 == pytest.approx(ratio, abs=5e-8)
    assert found.low == pytest.approx(low, abs=5.1e-8)
    assert found.high == pytest.approx(high, abs=5.1e-8)
    assert st.rate_ratio_p_value(x1, 1, x2, 1) == pytest.approx(p, abs=5.1e-6)


@rows("funnel_ratio")
def test_funnel_of_a_standardised_ratio(row: list[float], table: dict[str, Any]) -> None:
    expected, *limits = row
    inner, outer = (st.ratio_funnel_limits(expected, level) for level in (0.95, 0.998))
    assert [float(v) for v in (*inner, *outer)] == pytest.approx(limits, rel=3e-7)


@rows("funnel_share")
def test_funnel_of_a_share(row: list[float], table: dict[str, Any]) -> None:
    target, n, *limits = row
    inner, outer = (st.funnel_limits(target, n, level) for level in (0.95, 0.998))
    found = [outer.low, inner.low, inner.high, outer.high]
    assert all(close(a, b, table["places"]) for a, b in zip(found, limits, strict=True))


def test_dispersion_between_shares() -> None:
    table = VALUES["dispersion_share"]
    target = sum(table["x"]) / sum(table["n"])
    assert target == pytest.approx(table["target"], abs=5e-8)
    scores = st.share_scores(table["x"], table["n"])
    assert scores.z == pytest.approx(table["z"], abs=5.1e-6)
    pulled = st.winsorised(scores.z)
    assert [pulled.min(), pulled.max()] == pytest.approx(table["pulled_to"], abs=5.1e-7)
    found = st.dispersion(scores.z, scores.sigma)
    assert found.phi == pytest.approx(table["phi"], abs=5.1e-7)
    assert found.tau2 == pytest.approx(table["tau2"], abs=5.1e-10)
    limits = st.widened_share_limits(target, 500, found.tau2, 0.95)
    assert [float(v) for v in limits] == pytest.approx(table["limits_95_at_500"], abs=5.1e-6)


def test_dispersion_between_ratios() -> None:
    table = VALUES["dispersion_ratio"]
    scores = st.ratio_scores(table["observed"], table["expected"], log=True)
    found = st.dispersion(scores.z, scores.sigma)
    assert found.phi == pytest.approx(table["phi"], abs=5.1e-7)
    assert found.tau2 == pytest.approx(table["tau2"], abs=5.1e-9)


@pytest.mark.parametrize(
    "chart", VALUES["chart"], ids=lambda c: f"{c['kind']}-{'+'.join(c['series'])}-at-{c['at']}-{c['mark']}"
)
def test_limits_of_a_chart(chart: Chart) -> None:
    found = drawn(chart)
    read = (found.centre, found.low, found.high)
    wanted = (chart["centre"], chart["low"], chart["high"])
    for values, published, tolerance in zip(read, wanted, chart["tolerance"], strict=True):
        assert abs(float(values[chart["at"] - 1]) - published) <= tolerance * 1.0000001
    if "out" in chart:
        assert (np.flatnonzero(found.signal) + 1).tolist() == chart["out"]


def test_a_point_on_the_limit_is_not_beyond_it() -> None:
    """NIST's wafer 3 (28) equals the upper limit of its chart."""
    x, n = series(["nist_c"])
    found = st.u_chart(x, n)
    assert x[2] == found.high[2] == 28
    assert not found.signal[2]


@pytest.mark.parametrize("case", VALUES["laney"], ids=lambda c: f"{c['kind']}-{c['series']}")
def test_dispersion_over_time(case: Chart) -> None:
    fit = (share_fit if case["kind"] == "p" else rate_fit)(*series([case["series"]]))
    assert widened(fit).dispersion[0] == pytest.approx(case["dispersion"], abs=1e-6)


@pytest.mark.parametrize("case", VALUES["xmr"], ids=lambda c: f"{c['source'][:40]}-{c['mark']}")
def test_chart_of_single_values(case: Chart) -> None:
    options = {key: case[key] for key in ("screen", "factor") if key in case}
    found = st.xmr(case["x"], **options)
    for values, name in ((found.centre, "centre"), (found.low, "low"), (found.high, "high")):
        assert abs(float(values[0]) - case[name]) <= case["tolerance"]
    if "mean_range" in case:
        ranges = st.moving_range_chart(case["x"])
        assert ranges.centre[0] == pytest.approx(case["mean_range"], abs=5e-5)
        assert ranges.high[0] == pytest.approx(case["range_high"], abs=max(5e-5, case["tolerance"]))


def test_chart_of_times_between_events() -> None:
    table = VALUES["between_events"]
    y = np.array(table["x"]) ** (1 / 3.6)
    found = st.xmr(y)
    assert found.centre[0] == pytest.approx(table["mean"], abs=5e-6)
    assert st.moving_range_chart(y).centre[0] == pytest.approx(table["mean_range"], abs=5e-6)
    assert found.centre[0] ** 3.6 == pytest.approx(table["centre"], abs=5e-3)
    assert found.high[0] ** 3.6 == pytest.approx(table["high"], abs=5e-2)
    assert st.xmr(y, factor=2.66).high[0] ** 3.6 == pytest.approx(table["high_266"], abs=5e-2)
    assert found.low[0] < 0


def test_moving_average_of_nist() -> None:
    table = VALUES["ewma_nist"]
    found = st.ewma(table["x"], table["target"], table["sigma"], table["weight"], steady=True)
    assert found.value == pytest.approx(table["value"], abs=5.1e-3)
    assert found.value == pytest.approx(table["value_4"], abs=5.1e-5)
    assert float(found.chart.high[0]) == pytest.approx(table["high"], abs=2e-4)
    assert float(found.chart.low[0]) == pytest.approx(table["low"], abs=2e-4)
    assert not found.chart.signal.any()
    growing = st.ewma(table["x"], table["target"], table["sigma"], table["weight"])
    for point, high in table["high_at"]:
        assert close(growing.chart.high[point - 1], high, 4)


def test_cumulative_sums_of_table_91() -> None:
    table = VALUES["table_91"]
    found = st.cusum(table["x"], 10, 0.5, 5)
    assert found.high == pytest.approx(table["above"], abs=5.1e-3)
    assert found.low == pytest.approx(table["below"], abs=5.1e-3)
    first = int(np.flatnonzero(found.signal)[0])
    assert first + 1 == table["first_signal"]
    assert found.since_high[first] == table["points_since"]
    assert found.since_high[first + 1] == table["points_since"] + 1


def test_moving_average_of_table_91() -> None:
    table = VALUES["table_91"]
    found = st.ewma(table["x"], 10, 1, 0.1, 2.7)
    assert found.value == pytest.approx(table["ewma"], abs=5.1e-5)
    for point, high in table["ewma_high_at"]:
        assert close(found.chart.high[point - 1], high, 4)
    steady = st.ewma(table["x"], 10, 1, 0.1, 2.7, steady=True)
    assert [steady.chart.low[0], steady.chart.high[0]] == pytest.approx(table["ewma_steady"], abs=5.1e-5)
    assert int(np.flatnonzero(found.chart.signal)[0]) + 1 == table["first_signal"]


@rows("runs_bounds")
def test_bounds_of_a_runs_analysis(row: list[int], table: dict[str, Any]) -> None:
    useful, longest, crossings = row
    found = st.runs(np.arange(useful) % 2, 0.5)
    assert found.useful == useful
    assert found.longest_max == longest
    assert found.crossings_min == crossings
    assert found.crossings == useful - 1


@pytest.mark.parametrize("case", VALUES["runs_series"], ids=lambda c: "+".join(c["series"]))
def test_runs_analysis_of_a_series(case: Chart) -> None:
    x, n = series(case["series"])
    chart = drawn(case)
    left = np.ones(x.size, bool)
    left[[i - 1 for i in case.get("without", [])]] = False
    found = st.runs((x / n)[left], chart.centre[left])
    assert [found.longest, found.longest_max] == case["longest"]
    assert [found.crossings, found.crossings_min] == case["crossings"]
    assert bool(found.signal) == case["signal"]


def test_false_alarms_of_the_western_electric_rules() -> None:
    """The pieces that our rules are made of give the published run length of another, well studied set."""
    from dripledger.statistics.layout import lay_out
    from dripledger.statistics.rules import k_of_m, same_side

    rng = np.random.Generator(np.random.PCG64(6_1956))
    series_drawn, points = 4000, 600
    z = rng.standard_normal((series_drawn, points))
    layout = lay_out(np.ones(z.shape, np.bool_))
    flat = layout.flat(z)
    side = np.sign(flat).astype(np.int8)
    alarm = np.abs(flat) > 3
    for k, m, width in ((2, 3, 2.0), (4, 5, 1.0)):
        for sign in (1, -1):
            alarm |= k_of_m(sign * flat > width, layout.first, k, m)
    alarm |= same_side(side, layout.first, 8)[1] != 0
    alarm = alarm.reshape(z.shape)
    ended = alarm.any(axis=1)
    lengths = np.where(ended, alarm.argmax(axis=1) + 1, points)
    # Run lengths are close to exponential: mean = points seen / alarms, also where a series ends without one.
    found = lengths.sum() / ended.sum()
    published = VALUES["western_electric"]["points_between_false_alarms"]
    assert abs(found - published) < 4 * published / np.sqrt(ended.sum())
