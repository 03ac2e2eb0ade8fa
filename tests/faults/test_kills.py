"""SIGKILL at random moments of ingest, compaction, retry, redo and report, beside a twin that nobody killed.

The moments are drawn from a seeded generator over the time that the work takes undisturbed. After each kill a
reader sees the state before or the state after, whole; then the work is started again and has to end in the
twin's state, with nothing left over and no lock that is held.
"""

from __future__ import annotations

import signal
import time
from pathlib import Path

import numpy as np
import pytest
from tests.faults.harm import WORKS, Child, Work, copy, left_over, run, seen

from dripledger.events.ledger import balance
from dripledger.store import Ledger, is_sound, verify_store


def state(told: object) -> object:
    """Leave the store version out, where only the rows are compared."""
    assert isinstance(told, dict)
    return {name: rows for name, rows in told.items() if name != "version"}


def killed(work: Work, folder: Path, count: int, seed: int) -> tuple[int, int]:
    """Kill the work so many times; return how often it was killed, and how often before its commit."""
    base, root = folder / "base", folder / "site"
    work.prepare(base)
    copy(base, root)
    before = seen(root)
    child = Child(root, work)
    child.go()
    began = time.perf_counter()
    code, told = child.end()
    takes_s = time.perf_counter() - began
    assert code in (0, 4), told
    after = seen(root)
    assert state(after) != state(before), "the work changes nothing, so a kill shows nothing"
    assert left_over(root) == []
    rng = np.random.Generator(np.random.PCG64(seed))
    hit = early = 0
    for moment in rng.uniform(0, takes_s, count):
        copy(base, root)
        child = Child(root, work)
        child.go()
        code, _ = child.end(moment)
        hit += code == -signal.SIGKILL
        now = seen(root)
        early += state(now) == state(before)
        assert state(now) in (state(before), state(after)), f"half a {work.name} after {moment:.3f} s"
        assert run(root, work) in (0, 4)
        assert state(seen(root)) == state(after), f"not the twin's state after {moment:.3f} s"
        assert left_over(root) == [], f"left over after {moment:.3f} s"
        ledger = Ledger.open(root / "store")
        assert balance(ledger.snapshot()).balanced
        with ledger.write(wait_s=0):
            pass
        assert is_sound(verify_store(root / "store"))
    return hit, early


@pytest.mark.parametrize(
    ("name", "count"), [("ingest", 4), ("compaction", 1), ("retry", 2), ("redo", 2), ("report", 1)]
)
def test_some_kills(tmp_path: Path, name: str, count: int) -> None:
    killed(WORKS[name], tmp_path, count, 1)


@pytest.mark.slow
@pytest.mark.parametrize("name", list(WORKS))
def test_sixty_kills_of_each(tmp_path: Path, name: str) -> None:
    hit, early = killed(WORKS[name], tmp_path, 60, 2)
    print(f"{name}: {hit} of 60 were killed at work, {early} of them before the commit")
    assert hit > 30
    assert early > 0
