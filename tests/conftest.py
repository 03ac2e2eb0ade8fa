"""For every test: warnings are errors (pyproject.toml), and nobody draws from global randomness."""

from __future__ import annotations

import gc
import json
import os
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
from filelock import FileLock
from hypothesis import settings

from dripledger.engine import connect
from dripledger.events.ingest import ingest
from dripledger.hospital import generate
from dripledger.schema import Table
from dripledger.site import load_site
from dripledger.store import delta

#: Give the folder of a name, made by a function where it is not there yet.
MadeOnce = Callable[[str, Callable[[Path], object]], Path]
#: Put a demo of a size into a folder that is not there yet.
ReadDemo = Callable[..., dict[str, Any]]


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


#: What workers start with, as both are read when a process starts. glibc keeps what was freed for the next
#: that asks for as much: the engine asks for many small pieces at once, and a fifteenth of the processor's
#: time went into handing them back. And the workers take a core each: no second thread waits in numpy.
_FOR_WORKERS: Final = {
    "GLIBC_TUNABLES": "glibc.malloc.tcache_count=2000:glibc.malloc.trim_threshold=268435456"
    ":glibc.malloc.top_pad=16777216",
    "OPENBLAS_NUM_THREADS": "1",
}


def pytest_configure(config: pytest.Config) -> None:
    """Draw the same in each plain run: it says whether a checkout works; `-m slow` draws anew.

    What is imported is no garbage: none is sought before the first test.
    """
    gc.disable()
    if hasattr(config, "workerinput"):
        # what a test starts begins as it does for whoever uses it
        for name in [name for name, value in _FOR_WORKERS.items() if os.environ.get(name) == value]:
            del os.environ[name]
    elif getattr(config.option, "numprocesses", None):
        for name, value in _FOR_WORKERS.items():
            os.environ.setdefault(name, value)
    settings.register_profile("same", derandomize=True)
    if config.option.markexpr != "slow":
        settings.load_profile("same")


@pytest.fixture(autouse=True, scope="session")
def one_thread_in_a_plain_run(request: pytest.FixtureRequest) -> Iterator[None]:
    """Open the engine with one thread where no mark is asked for: tests run side by side, one a core.

    `.ci/run`, and whoever asks for marks, gets the engine's own number; a process of its own always does.
    """
    with pytest.MonkeyPatch.context() as patched:
        if request.config.option.markexpr == "not slow":
            patched.setitem(connect.__kwdefaults__, "threads", 1)
        yield


@pytest.fixture(autouse=True, scope="session")
def garbage_is_sought_seldom() -> None:
    """Leave alone what was imported, and look for cycles less often: a tenth of the time went into that."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)
    gc.enable()


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> MadeOnce:
    """Return a function that gives a folder of this name, made once for all workers, under a lock.

    It is whole or not there at all, and for reading only: who wants to write takes a copy.
    """
    mine = tmp_path_factory.getbasetemp()
    ours = mine.parent if hasattr(request.config, "workerinput") else mine

    def made(name: str, make: Callable[[Path], object]) -> Path:
        folder = ours / f"{name}, made once"
        with FileLock(ours / f"{name}.lock"):
            if not folder.exists():
                making = tmp_path_factory.mktemp("making")
                make(making)
                making.rename(folder)
        return folder

    return made


@pytest.fixture(scope="session")
def read_demo(made_once: MadeOnce) -> ReadDemo:
    """Return a function that puts a demo which was read into a folder, and gives what its ingest told.

    One of a size is made for all; who asks has a copy, and sees nobody else's doing.
    """

    def read(root: Path, **size: int) -> dict[str, Any]:
        def make(folder: Path) -> None:
            generate(folder / "demo", **size)
            told = ingest(load_site(folder / "demo")).as_json()
            (folder / "told.json").write_text(json.dumps(told), encoding="utf-8")

        made = made_once("a demo of " + ", ".join(f"{n} {what}" for what, n in sorted(size.items())), make)
        shutil.copytree(made / "demo", root)
        result: dict[str, Any] = json.loads((made / "told.json").read_text(encoding="utf-8"))
        return result

    return read


@pytest.fixture(scope="session")
def small_demo(tmp_path_factory: pytest.TempPathFactory, read_demo: ReadDemo) -> Path:
    """Return a folder with a small demo that was read: copied once a worker, for tests that only read it."""
    folder = tmp_path_factory.mktemp("a small demo")
    read_demo(folder / "demo", pumps=8, months=2)
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
