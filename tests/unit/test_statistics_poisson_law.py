"""Poisson's law against scipy.stats (a general library): the same numbers, to the last bit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from dripledger.statistics import poisson_law

_MEANS = np.array([0.001, 0.3, 1.0, 4.7, 25.0, 999.5, 1e5])
_COUNTS = np.array([-1.0, 0.0, 0.5, 1.0, 2.0, 5.0, 24.0, 1000.0, 99_700.0])


def test_chances_are_those_of_the_library() -> None:
    count, mean = (each.ravel() for each in np.meshgrid(_COUNTS, _MEANS))
    law = stats.poisson(mean)
    assert poisson_law.exactly(count, mean).tolist() == law.pmf(count).tolist()
    assert poisson_law.at_most(count, mean).tolist() == law.cdf(count).tolist()
    assert poisson_law.more_than(count, mean).tolist() == law.sf(count).tolist()


@pytest.mark.parametrize("chance", [0.001, 0.025, 0.5, 0.975, 0.999])
def test_quantiles_are_those_of_the_library(chance: float) -> None:
    found = poisson_law.quantile(chance, _MEANS)
    assert found.tolist() == stats.poisson.ppf(chance, _MEANS).tolist()
    # a count whose cumulative chance is just what is asked for is that count
    exact = stats.poisson.cdf(3, 4.7)
    assert poisson_law.quantile(float(exact), np.array([4.7])).tolist() == [3.0]
