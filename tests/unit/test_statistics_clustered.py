"""The share of hours: a bootstrap over clusters is the oracle."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dripledger.statistics import ArrayError, clustered_share, wilson


def _infusions(seed: int, clusters: int, share: float) -> tuple[np.ndarray, np.ndarray]:
    """Hours of infusions, long-tailed; each is under an entry as a whole or not at all."""
    rng = np.random.Generator(np.random.PCG64(seed))
    hours = np.exp(rng.normal(1.0, 0.8, clusters))
    return hours * (rng.random(clusters) < share), hours


@pytest.mark.parametrize(("seed", "share"), [(11, 0.5), (12, 0.8), (13, 0.9), (14, 0.95)])
def test_interval_agrees_with_a_bootstrap_over_clusters(seed: int, share: float) -> None:
    part, whole = _infusions(seed, 400, share)
    found = clustered_share(part, whole, np.arange(400))
    rng = np.random.Generator(np.random.PCG64(seed + 1000))
    picks = rng.integers(0, 400, (4000, 400))
    resampled = part[picks].sum(axis=1) / whole[picks].sum(axis=1)
    low, high = np.quantile(resampled, [0.025, 0.975])
    width = high - low
    assert found.value[0] == pytest.approx(part.sum() / whole.sum())
    assert abs(found.low[0] - low) < 0.15 * width
    assert abs(found.high[0] - high) < 0.15 * width


def test_counting_hours_as_if_they_were_independent_would_be_far_too_sure() -> None:
    part, whole = _infusions(21, 300, 0.85)
    ours = clustered_share(part, whole, np.arange(300))
    naive = wilson(round(part.sum() * 60), round(whole.sum() * 60))
    assert ours.high[0] - ours.low[0] > 5 * (naive.high - naive.low)


def test_it_covers_the_truth_about_as_often_as_it_says() -> None:
    rng = np.random.Generator(np.random.PCG64(31))
    runs, clusters, share = 1500, 200, 0.85
    hours = np.exp(rng.normal(1.0, 0.5, (runs, clusters)))
    part = hours * (rng.random((runs, clusters)) < share)
    group = np.repeat(np.arange(runs), clusters)
    found = clustered_share(part.ravel(), hours.ravel(), np.tile(np.arange(clusters), runs), group)
    covered = np.mean((found.low <= share) & (share <= found.high))
    assert 0.925 <= covered <= 0.97


def test_rows_of_one_cluster_are_added_first_and_order_changes_nothing() -> None:
    part = np.array([0.0, 2.0, 3.0, 0.0, 1.5])
    whole = np.array([1.0, 2.0, 3.0, 4.0, 1.5])
    cluster = np.array([0, 0, 1, 2, 3])
    together = clustered_share(np.array([2.0, 3.0, 0.0, 1.5]), np.array([3.0, 3.0, 4.0, 1.5]), np.arange(4))
    apart = clustered_share(part, whole, cluster)
    turned = clustered_share(part[::-1], whole[::-1], cluster[::-1])
    assert apart.low[0] == pytest.approx(together.low[0])
    assert (apart.value[0], apart.low[0], apart.high[0]) == (turned.value[0], turned.low[0], turned.high[0])
    assert apart.clusters.tolist() == [4]


def test_all_hours_alike_get_the_score_interval_on_the_effective_number_of_clusters() -> None:
    found = clustered_share([4.0] * 30, [4.0] * 30, range(30))
    low, high = wilson(30, 30)
    assert found.value[0] == 1
    assert found.effective_clusters[0] == pytest.approx(30)
    assert found.low[0] == pytest.approx(float(low))
    assert found.high[0] == high == 1
    one_long = clustered_share([400.0, 1.0, 1.0], [400.0, 1.0, 1.0], range(3))
    assert one_long.effective_clusters[0] < 1.02
    assert one_long.low[0] < 0.25


def test_groups_are_apart_and_an_empty_one_is_nan() -> None:
    found = clustered_share(
        [1.0, 0.0, 2.0, 0.0], [1.0, 1.0, 2.0, 2.0], [1, 2, 1, 2], group=[0, 0, 2, 2], groups=4
    )
    assert found.value[0] == found.value[2] == 0.5
    assert math.isnan(found.value[1])
    assert math.isnan(found.low[3])
    assert found.clusters.tolist() == [2, 0, 2, 0]


def test_one_cluster_with_both_kinds_of_hours_has_no_interval() -> None:
    found = clustered_share([1.0], [3.0], [7])
    assert found.value[0] == pytest.approx(1 / 3)
    assert math.isnan(found.low[0])
    assert math.isnan(found.high[0])


@pytest.mark.parametrize(
    ("part", "whole", "cluster", "group", "argument", "position"),
    [
        ([1.0, -1.0], [1.0, 1.0], [0, 1], None, "part", (1,)),
        ([1.0, 3.0], [1.0, 2.0], [0, 1], None, "part", (1,)),
        ([1.0, np.nan], [1.0, 2.0], [0, 1], None, "part", (1,)),
        ([1.0], [1.0, 2.0], [0], None, "whole", None),
        ([1.0], [1.0], [0, 1], None, "cluster", None),
        ([1.0], [1.0], ["a"], None, "cluster", None),
        ([1.0, 1.0], [1.0, 1.0], [0, 1], [0, -1], "group", (1,)),
        ([[1.0]], [[1.0]], [[0]], None, "part", None),
    ],
)
def test_what_cannot_be_is_named(
    part: object, whole: object, cluster: object, group: object, argument: str, position: object
) -> None:
    with pytest.raises(ArrayError) as caught:
        clustered_share(part, whole, cluster, group)  # type: ignore[arg-type]
    assert caught.value.argument == argument
    assert caught.value.position == position
