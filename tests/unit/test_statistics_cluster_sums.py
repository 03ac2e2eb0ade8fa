"""Intervals from sums are those from the rows that were added up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.cluster_samples import summed

from dripledger.statistics import (
    ArrayError,
    ClusterSums,
    clustered_rate,
    clustered_share,
    rate_of_sums,
    share_of_sums,
)

AMOUNT = st.one_of(st.integers(0, 5), st.integers(0, 2_700_000_000_000))
CLUSTERS = st.lists(st.tuples(AMOUNT, AMOUNT), max_size=30)


def columns(rows: list[tuple[int, int]]) -> tuple[np.ndarray, np.ndarray]:
    made = np.array(rows, np.int64).reshape(-1, 2)
    return made[:, 0], made[:, 1]


@given(st.lists(CLUSTERS, min_size=1, max_size=4))
def test_shares_of_sums_are_shares_of_rows(groups: list[list[tuple[int, int]]]) -> None:
    made = []
    for rows in groups:
        one, other = columns(rows)
        made.append((np.minimum(one, other), np.maximum(one, other)))
    part, whole = (np.concatenate(column) for column in zip(*made, strict=True))
    place = np.repeat(np.arange(len(made)), [len(one) for one, _ in made])
    of_rows = clustered_share(part, whole, group=place, groups=len(made))
    of_sums = share_of_sums([summed(*one) for one in made])
    np.testing.assert_array_equal(of_sums.clusters, of_rows.clusters)
    for name in ("value", "effective_clusters"):
        np.testing.assert_allclose(getattr(of_sums, name), getattr(of_rows, name), rtol=1e-9)
    # where all clusters are nearly alike, floating point leaves a little of what cancels
    for name in ("low", "high"):
        np.testing.assert_allclose(getattr(of_sums, name), getattr(of_rows, name), rtol=1e-6, atol=1e-6)


@given(CLUSTERS, st.sampled_from([1, 60_000_000]), st.sampled_from([1, 3_600_000_000]), st.booleans())
def test_rates_of_sums_are_rates_of_rows(
    rows: list[tuple[int, int]], unit: int, over: int, counts: bool
) -> None:
    part, whole = columns(rows)
    of_rows = clustered_rate(part / unit, whole / over, counts=counts)
    of_sums = rate_of_sums(summed(part, whole), unit, over, counts=counts)
    assert of_sums.clusters == of_rows.clusters
    np.testing.assert_allclose(of_sums.value, of_rows.value, rtol=1e-9)
    for name in ("low", "high", "dispersion"):
        np.testing.assert_allclose(
            getattr(of_sums, name), getattr(of_rows, name), rtol=1e-5, atol=1e-5 * (of_rows.value or 1)
        )


def test_what_nearly_cancels_is_exact() -> None:
    """Three years of microseconds, whose parts differ by one: by hand."""
    whole = 94_608_000_000_000
    parts = [whole // 2 - 1, whole // 2, whole // 2 + 1]
    sums = summed(np.array(parts), np.array([whole] * 3))
    assert sums.squared_residuals == 2.0
    alike = summed(np.array([whole // 3] * 1000), np.array([whole] * 1000))
    assert alike.squared_residuals == 0.0


def test_what_cannot_be_is_refused() -> None:
    good = summed(np.array([1]), np.array([2]))
    with pytest.raises(ArrayError, match=r"part\[1\]: -1 is negative"):
        share_of_sums([good, summed(np.array([-1]), np.array([2]))])
    with pytest.raises(ArrayError, match=r"part\[1\]: is more than whole"):
        share_of_sums([good, summed(np.array([3]), np.array([2]))])
    with pytest.raises(ArrayError, match="-1 is negative"):
        rate_of_sums(summed(np.array([-1]), np.array([2])))
    with pytest.raises(ArrayError, match="exposure: -4 is negative"):
        rate_of_sums(summed(np.array([1, 2, 3]), np.array([10, -4, 5])))
    with pytest.raises(ArrayError, match="level"):
        share_of_sums([good], level=95)


def test_nothing_says_nothing() -> None:
    assert np.isnan(share_of_sums([ClusterSums()]).value).all()
    assert np.isnan(rate_of_sums(ClusterSums()).value)
