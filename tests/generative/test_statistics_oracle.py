"""Charts and funnels on generated series against an independent library, `clinical-qikit` (MIT).

Each series is drawn by a seeded generator; the library computes the same chart its own way, and both must
agree to rounding. It follows other conventions in three places: it never narrows p' limits below p (ours:
floor=1), lets limits of a share pass 1, and rounds log2 n down where we round to the nearest.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from dripledger import statistics as st

qikit = pytest.importorskip("qikit", reason="clinical-qikit is not installed")
SEEDS = pytest.mark.parametrize("seed", range(12))


def drawn(seed: int, spread: float) -> tuple[np.ndarray, np.ndarray]:
    """Counts with unequal denominators, their shares more or less apart."""
    rng = np.random.Generator(np.random.PCG64([seed, 77]))
    points = int(rng.integers(12, 60))
    n = rng.integers(20, 900, points)
    centre = rng.uniform(0.02, 0.97)
    share = rng.beta(centre / spread, (1 - centre) / spread, points)
    return rng.binomial(n, share), n


def agrees(ours: st.Chart, theirs: Any, most: float = 1.0) -> None:
    assert ours.centre == pytest.approx(theirs.cl.to_numpy(), rel=1e-12)
    assert ours.high == pytest.approx(np.minimum(theirs.ucl.to_numpy(), most), rel=1e-9)
    assert ours.low == pytest.approx(np.maximum(theirs.lcl.to_numpy(), 0), rel=1e-9, abs=1e-12)
    assert ours.signal.tolist() == theirs.sigma_signal.tolist()


@SEEDS
def test_p_chart(seed: int) -> None:
    x, n = drawn(seed, 0.001)
    agrees(st.p_chart(x, n), qikit.qic(y=x, n=n, chart="p").data)


@SEEDS
def test_p_chart_frozen_on_its_first_points(seed: int) -> None:
    x, n = drawn(seed, 0.01)
    frozen = st.p_chart(x, n, baseline=np.arange(x.size) < 12)
    agrees(frozen, qikit.qic(y=x, n=n, chart="p", freeze=12).data)


@SEEDS
def test_u_chart(seed: int) -> None:
    x, n = drawn(seed, 0.01)
    agrees(st.u_chart(x, n / 7), qikit.qic(y=x, n=n / 7, chart="u").data, np.inf)


@SEEDS
@pytest.mark.parametrize("spread", [0.0005, 0.03])
def test_laney_p(seed: int, spread: float) -> None:
    x, n = drawn(seed, spread)
    agrees(st.laney_p(x, n, floor=1.0), qikit.qic(y=x, n=n, chart="pp").data)


@SEEDS
def test_laney_u(seed: int) -> None:
    x, n = drawn(seed, 0.03)
    agrees(st.laney_u(x, n / 7, floor=1.0), qikit.qic(y=x, n=n / 7, chart="up").data, np.inf)


@SEEDS
def test_exact_funnel_of_a_share(seed: int) -> None:
    x, n = drawn(seed, 0.01)
    found = qikit.qic(y=x, n=n, chart="p", funnel=True).data
    order = np.argsort(n, kind="stable")  # it draws a funnel by size
    inner, outer = (st.funnel_limits(x.sum() / n.sum(), n[order], level) for level in (0.95, 0.998))
    for ours, theirs in zip((*inner, *outer), ("lcl_95", "ucl_95", "lcl", "ucl"), strict=True):
        assert ours == pytest.approx(found[theirs].to_numpy(), rel=1e-9, abs=1e-12)


@SEEDS
def test_exact_funnel_of_a_rate(seed: int) -> None:
    x, n = drawn(seed, 0.01)
    found = qikit.qic(y=x, n=n / 10, chart="u", funnel=True).data
    order = np.argsort(n, kind="stable")
    inner, outer = (
        st.rate_funnel_limits(x.sum() / n.sum() * 10, n[order] / 10, level) for level in (0.95, 0.998)
    )
    for ours, theirs in zip((*inner, *outer), ("lcl_95", "ucl_95", "lcl", "ucl"), strict=True):
        assert ours == pytest.approx(found[theirs].to_numpy(), rel=1e-7, abs=1e-9)


@SEEDS
def test_runs_analysis(seed: int) -> None:
    x, n = drawn(seed, 0.01)
    found = qikit.qic(y=x, n=n, chart="p").summary
    ours = st.runs(x / n, st.p_chart(x, n).centre)
    assert ours.useful == found["n_useful"]
    assert ours.longest == found["longest_run"]
    assert ours.crossings == found["n_crossings"]
    # It names the most crossings that are a signal, we the fewest that are none.
    assert ours.crossings_min == found["crossings_threshold"] + 1
    assert (ours.crossings < ours.crossings_min) == found["crossings_signal"]
