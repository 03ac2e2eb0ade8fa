"""Every drawn table is run on the product's SQL and on the oracle, so that neither drifts from the text."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import pytest
from tests.spec import drawn, drawn_attempts
from tests.spec.drawn import ENGINES, Rebuilt, events_of
from tests.spec.together import ALONE, SQL, played

from dripledger.site import Thresholds


def _rebuild(engine: str, name: str) -> Callable[..., Rebuilt]:
    def run(text: str, contexts: Mapping[str, str] | None = None, **windows: float) -> Rebuilt:
        return Rebuilt(name, *ENGINES[engine](events_of(text), contexts or {}, Thresholds(**windows)))

    return run


@pytest.fixture(scope="module")
def logs_together(request: pytest.FixtureRequest) -> Iterator[None]:
    """Build all logs of a module at once, before the first of them is asked for."""
    tests = played(request.session.items, request.module, rebuild=_rebuild("oracle", SQL), engine="oracle")
    for together in (drawn.TOGETHER, drawn_attempts.TOGETHER):
        together.gather(tests)
    yield
    for together in (drawn.TOGETHER, drawn_attempts.TOGETHER):
        together.gather([])


@pytest.fixture(autouse=True)
def read_together(request: pytest.FixtureRequest) -> None:
    """Have the logs of the module built where a test asks the SQL for one of them."""
    spec = getattr(request.node, "callspec", None)
    if spec is not None and SQL in spec.params.values():
        request.getfixturevalue("logs_together")


@pytest.fixture(
    params=[*[name for name in ENGINES if name != ALONE], pytest.param(ALONE, marks=pytest.mark.slow)]
)
def rebuild(request: pytest.FixtureRequest) -> Callable[..., Rebuilt]:
    """Rebuild infusions from a drawn log, by one engine and then by the other."""
    return _rebuild(request.param, request.param)
