"""For every test: warnings are errors (pyproject.toml), and nobody draws from global randomness."""

from __future__ import annotations

import random
from collections.abc import Iterator

import numpy as np
import pytest


@pytest.fixture(autouse=True)
def no_global_randomness(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a test that draws from, or seeds, a global generator: what it did would hang on what ran before.

    Tests marked `slow` are held to the same; Hypothesis saves and restores the state itself.
    """
    before = random.getstate(), _numpy_state()
    yield
    after = random.getstate(), _numpy_state()
    if before != after:
        pytest.fail(f"{request.node.name} touched the global state of random or numpy.random", pytrace=False)


def _numpy_state() -> tuple[object, ...]:
    kind, keys, *rest = np.random.get_state(legacy=True)
    return kind, keys.tobytes(), *rest  # type: ignore[union-attr]
