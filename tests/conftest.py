"""For every test: warnings are errors (pyproject.toml), and nobody draws from global randomness."""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from filelock import FileLock

from dripledger.events.ingest import ingest
from dripledger.hospital import generate
from dripledger.schema import Table
from dripledger.site import load_site
from dripledger.store import delta


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


@pytest.fixture(scope="session")
def small_demo(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    """Return a folder with a small demo that was read, for tests that only read it.

    It is made once for all workers, under a lock; each has a copy: none sees what another leaves there.
    """
    mine = tmp_path_factory.getbasetemp()
    ours = mine.parent if hasattr(request.config, "workerinput") else mine
    with FileLock(ours / "a small demo.lock"):
        made = ours / "a small demo, made once"
        if not made.exists():
            making = tmp_path_factory.mktemp("making a small demo") / "demo"
            generate(making, pumps=8, months=2)
            ingest(load_site(making))
            making.rename(made)
    folder = tmp_path_factory.mktemp("a small demo")
    shutil.copytree(made, folder / "demo")
    return folder


@pytest.fixture(autouse=True, scope="session")
def empty_tables_are_made_once() -> Iterator[None]:
    """Copy an empty table of a store once one was made: a test's store begins with eleven of them.

    The first of each is made by the product, and so is a table whose declaration a test changes.
    """
    made: dict[Table, bytes] = {}
    create = delta.create

    def copied(folder: Path, table: Table) -> None:
        log = folder / "_delta_log"
        if table in made and not log.exists():
            log.mkdir(parents=True)
            (log / f"{0:020}.json").write_bytes(made[table])
            return
        create(folder, table)
        files = sorted(log.iterdir())
        if [file.name for file in files] == [f"{0:020}.json"]:
            made[table] = files[0].read_bytes()

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(delta, "create", copied)
        yield
