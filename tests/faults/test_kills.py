"""SIGKILL at random moments of ingest, compaction, retry, redo and report, beside a twin that nobody killed.

The moments are drawn from a seeded generator over the time that the work takes undisturbed. After each kill a
reader sees the state before or the state after, whole; then the work is started again and has to end in the
twin's state, with nothing left over and no lock that is held.
"""

from __future__ import annotations

import contextlib
import signal
import time
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from tests.faults.harm import WORKS, Child, Work, copy, left_over, run, seen, set_aside
from tests.marks import LONG

from dripledger.events.ledger import balance
from dripledger.store import Ledger, verify_store


def state(told: Mapping[str, object]) -> dict[str, object]:
    """Leave the store version out, where only the rows are compared."""
    return {name: rows for name, rows in told.items() if name != "version"}


class MissedError(Exception):
    """What is to be killed was over before it was seen: a busy machine, not a fault."""


class Trial:
    """A kind of work, a site that it has not been done to, and what a reader sees before and after."""

    def __init__(self, work: Work, folder: Path, waits_for: str | None = None) -> None:
        self.work, self.base, self.root = work, folder / "base", folder / "site"
        work.prepare(self.base)
        copy(self.base, self.root)
        self.before = state(seen(self.root))
        child = self._begun(waits_for)
        began = time.perf_counter()
        code, told = child.end()
        #: how long the work takes undisturbed, from the word or from what is waited for
        self.takes_s = time.perf_counter() - began
        assert code in (0, 4), told
        self.after = state(seen(self.root))
        assert self.after != self.before, "the work changes nothing, so a kill shows nothing"
        assert left_over(self.root) == []

    def _begun(self, waits_for: str | None) -> Child:
        child = Child(self.root, self.work)
        child.go()
        if waits_for is not None and not child.reached(self.root, waits_for):
            child.end()
            raise MissedError(waits_for)
        return child

    def survives(self, moment: float, waits_for: str | None = None) -> tuple[bool, bool]:
        """Kill the work at a moment, look, do it again; whether it was killed, and whether before its end."""
        copy(self.base, self.root)
        code, _ = self._begun(waits_for).end(moment)
        told = f"{self.work.name} killed {moment:.4f} s after {waits_for or 'its beginning'}"
        now = state(seen(self.root))
        between = code == -signal.SIGKILL and self._between_renames(now)
        assert between or now in (self.before, self.after), f"{told}: half of it is seen"
        assert run(self.root, self.work) in (0, 4), told
        assert state(seen(self.root)) == self.after, f"{told}: not the twin's state"
        assert left_over(self.root) == [], told
        ledger = Ledger.open(self.root / "store")
        assert balance(ledger.snapshot()).balanced
        with ledger.write(wait_s=0):
            pass
        assert verify_store(self.root / "store") == [], told
        if "report" in self.work.command:
            report = str(self.root / "reports" / "2026-10")
            assert run(self.root, Work("verify", ("verify", report))) == 0, told
        return code == -signal.SIGKILL, between or now == self.before

    def _between_renames(self, now: dict[str, object]) -> bool:
        """Whether the former report stands aside, whole, and nothing in its place yet."""
        return now == {**self.before, "reports": {}} and set_aside(self.root) == self.before["reports"]


def killed(work: Work, folder: Path, count: int, seed: int, waits_for: str | None = None) -> tuple[int, int]:
    """Kill the work so many times; return how often it was killed, and how often before its end was seen."""
    trial = Trial(work, folder, waits_for)
    moments = np.random.Generator(np.random.PCG64(seed)).uniform(0, trial.takes_s, count)
    ends = [trial.survives(moment, waits_for) for moment in moments]
    return sum(hit for hit, _ in ends), sum(early for _, early in ends)


#: While this is there, the files of a report are being written, or it is put in its place.
WRITING = "reports/.2026-10-new-*"
#: While this is there, the report that stood in its place is moved aside, or let go.
ASIDE = "reports/.2026-10-old-*"
#: A state of a few milliseconds can pass unseen.
_TRIES = 10


@pytest.mark.parametrize(
    ("name", "count"),
    [
        ("ingest", 1),
        pytest.param("compaction", 1, marks=LONG),
        pytest.param("retry", 1, marks=LONG),
        pytest.param("redo", 1, marks=LONG),
    ],
)
def test_some_kills(tmp_path: Path, name: str, count: int) -> None:
    killed(WORKS[name], tmp_path, count, 1)


@pytest.mark.slow
@pytest.mark.merge
def test_some_kills_of_a_report_that_replaces_another(tmp_path: Path) -> None:
    """Where a half could be seen; a kill while a report is still computed is one of those of `slow`."""
    trial = Trial(WORKS["report again"], tmp_path)
    for waits_for in (WRITING, ASIDE):
        for _ in range(_TRIES):
            with contextlib.suppress(MissedError):
                if trial.survives(0, waits_for)[0]:
                    break
        else:
            pytest.fail(f"no kill fell into {waits_for} in {_TRIES} tries")


@pytest.mark.slow
@pytest.mark.parametrize("name", list(WORKS))
def test_many_kills_of_each(tmp_path: Path, name: str) -> None:
    began = time.perf_counter()
    hit, early = killed(WORKS[name], tmp_path, 45, 2)
    took_s = time.perf_counter() - began
    print(f"{name}: {hit} of 45 were killed at work, {early} of them before its end was seen; {took_s:.0f} s")
    assert hit > 22
    assert early > 0


@pytest.mark.slow
@pytest.mark.parametrize("name", ["report", "report again"])
def test_many_kills_while_a_report_is_put_in_its_place(tmp_path: Path, name: str) -> None:
    began = time.perf_counter()
    hit, early = killed(WORKS[name], tmp_path, 15, 3, WRITING)
    took_s = time.perf_counter() - began
    print(f"{name}, in place: {hit} of 15 were killed, {early} before its end was seen; {took_s:.0f} s")
    assert hit > 5
    assert early > 0
