"""Every drawn table is run on the product's SQL and on the oracle, so that neither drifts from the text."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest
from tests.spec.drawn import ENGINES, Rebuilt, events_of

from dripledger.site import Thresholds


@pytest.fixture(params=list(ENGINES))
def rebuild(request: pytest.FixtureRequest) -> Callable[..., Rebuilt]:
    """Rebuild infusions from a drawn log, by one engine and then by the other."""

    def run(text: str, contexts: Mapping[str, str] | None = None, **windows: float) -> Rebuilt:
        found = ENGINES[request.param](events_of(text), contexts or {}, Thresholds(**windows))
        return Rebuilt(request.param, *found)

    return run
