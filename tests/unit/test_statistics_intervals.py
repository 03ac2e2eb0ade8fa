"""Shares of independent counts: limits, shapes, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dripledger.errors import DripledgerError
from dripledger.statistics import ArrayError, normal_quantile, student_quantile, wilson


@st.composite
def counts(draw: st.DrawFn) -> tuple[int, int]:
    n = draw(st.integers(1, 10**9))
    return draw(st.integers(0, n)), n


@given(counts(), st.floats(0.01, 0.999), st.booleans())
def test_interval_holds_the_share_and_stays_inside_zero_and_one(
    pair: tuple[int, int], level: float, continuity: bool
) -> None:
    x, n = pair
    low, high = wilson(x, n, level, continuity)
    assert 0 <= low <= x / n * (1 + 1e-9)
    assert x / n * (1 - 1e-9) <= high <= 1


@given(counts(), st.booleans())
def test_the_other_share_has_the_mirrored_interval(pair: tuple[int, int], continuity: bool) -> None:
    x, n = pair
    low, high = wilson([x, n - x], [n, n], continuity=continuity)
    assert low[0] == pytest.approx(1 - high[1], abs=1e-9)
    assert high[0] == pytest.approx(1 - low[1], abs=1e-9)


@given(counts())
def test_the_correction_for_continuity_only_widens(pair: tuple[int, int]) -> None:
    plain, corrected = wilson(*pair), wilson(*pair, continuity=True)
    assert corrected.low <= plain.low + 1e-12
    assert corrected.high >= plain.high - 1e-12


def test_none_and_all_have_exact_ends() -> None:
    low, high = wilson([0, 7], [7, 7])
    assert low[0] == 0
    assert high[1] == 1
    assert high[0] == pytest.approx(1 - low[1])


def test_no_data_have_no_interval() -> None:
    low, high = wilson([0, 1], [0, 2])
    assert math.isnan(low[0])
    assert math.isnan(high[0])
    assert not np.isnan(low[1])


def test_shapes_broadcast() -> None:
    low, high = wilson(np.zeros((3, 1)), np.full(4, 10))
    assert low.shape == high.shape == (3, 4)


@pytest.mark.parametrize(
    ("x", "n", "argument", "position"),
    [
        ([1, -1], [2, 2], "x", (1,)),
        ([1, 2, 3], [2, 2, 2], "x", (2,)),
        ([1, 0.5], [2, 2], "x", (1,)),
        ([1], [float("nan")], "n", (0,)),
        ([[1, 1], [1, float("inf")]], [[2, 2], [2, 2]], "x", (1, 1)),
        ([1, None], [2, 2], "x", (1,)),
        (["1"], [2], "x", None),
        ([True], [2], "x", None),
        ([1, 1], [2, 2, 2], "n", None),
    ],
)
def test_a_value_that_cannot_be_is_named_with_its_position(
    x: object, n: object, argument: str, position: tuple[int, ...] | None
) -> None:
    with pytest.raises(ArrayError) as caught:
        wilson(x, n)  # type: ignore[arg-type]
    assert caught.value.argument == argument
    assert caught.value.position == position
    assert isinstance(caught.value, DripledgerError)
    assert isinstance(caught.value, ValueError)
    if position:
        assert f"{argument}[{', '.join(map(str, position))}]" in str(caught.value)


@pytest.mark.parametrize("level", [0, 1, 95, -0.1, float("nan"), "0.95", True])
def test_a_level_is_a_number_between_zero_and_one(level: object) -> None:
    with pytest.raises(ArrayError, match="level"):
        wilson(1, 2, level)  # type: ignore[arg-type]


def test_quantiles_agree_with_scipy() -> None:
    special = pytest.importorskip("scipy.special", reason="scipy is not installed")
    assert normal_quantile(0.975) == pytest.approx(special.ndtri(0.975), abs=1e-12)
    df = np.array([1, 2, 3, 4, 5, 9, 19, 99, 1e6])
    truth = special.stdtrit(df, 0.975)
    found = student_quantile(0.975, df)
    error = np.abs(found / truth - 1)
    assert error[:2] == pytest.approx([0, 0], abs=1e-12)
    assert error[2] < 1.3e-3
    assert np.all(error[4:] < 2e-4)
