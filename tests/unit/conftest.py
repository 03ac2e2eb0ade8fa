"""What several modules look at and none changes."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest
from tests.conftest import MadeOnce
from tests.report_samples import rendered


@pytest.fixture(scope="session")
def october(made_once: MadeOnce) -> dict[str, bytes]:
    """Return the files of a whole report on names that mean no good."""

    def make(folder: Path) -> None:
        (folder / "files").write_bytes(pickle.dumps(rendered()))

    found: dict[str, bytes] = pickle.loads((made_once("a report", make) / "files").read_bytes())
    return found
