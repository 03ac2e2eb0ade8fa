"""How far a run is: a bar on a terminal, one line a file elsewhere."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import threading
import time
from collections.abc import Iterator
from typing import Final, TextIO

from dripledger.commands.output import counted, is_silent, say
from dripledger.errors import printable
from dripledger.events.progress import Progress

#: What each step costs of a whole ingest: measured on the demo at 40 pumps and 8 months.
_WEIGHTS: Final = {
    "originals": 3.0, "derive again": 0.5, "stage": 11.0, "check": 5.0, "compare": 3.0, "write events": 9.0,
    "build infusions": 68.0, "commit": 0.5,
}  # fmt: skip
#: A step whose cost was guessed too low stays short of its end until it ends.
_ALMOST: Final = 0.97
#: From which share on the time that is left can be guessed.
_TELLING: Final = 0.05


class Lines(Progress):
    """One line for each new file, to stderr."""

    def took(self, name: str, size_bytes: int, records: int) -> None:  # noqa: ARG002
        """Say that a new file was read."""
        if records:
            say(f"read {printable(name)}: {counted(records, 'record', 'records')}.")


class Bar(Progress):
    """A bar that is drawn again and again on one line of a terminal.

    Parameters
    ----------
    to
        The terminal.
    width
        Its columns.
    """

    def __init__(self, to: TextIO, width: int) -> None:
        self._to, self._width = to, width
        self._began = self._step_began = time.monotonic()
        self._step = ""
        self._sources = 1
        self._bytes = self._bytes_done = self._records = 0
        self._file_bytes = self._file_records = 0
        self._done = 0.0
        self._lock = threading.Lock()

    def __call__(self, step: str) -> None:
        """Begin a step."""
        with self._lock:
            self._done = min(self._done + self._weight(self._step), 1.0)
            self._step, self._step_began = step, time.monotonic()

    def expect(self, size_bytes: int, sources: int) -> None:
        """Expect so many bytes, of so many sources."""
        self._bytes, self._sources = size_bytes, max(sources, 1)

    def reading(self, size_bytes: int, records: int) -> None:
        """Have read so much of one file."""
        self._file_bytes, self._file_records = size_bytes, records

    def took(self, name: str, size_bytes: int, records: int) -> None:  # noqa: ARG002
        """Have read a file to its end."""
        self._bytes_done += size_bytes
        self._records += records
        self._file_bytes = self._file_records = 0

    def _weight(self, step: str) -> float:
        total = sum(_WEIGHTS.values())
        for name in ("stage", "check"):
            if step.startswith(f"{name} "):
                return _WEIGHTS[name] / self._sources / total
        return _WEIGHTS.get(step, 0.0) / total

    def share(self, now: float) -> float:
        """Return how much of the run is done, 0-1: what is known, and a guess within a step."""
        weight = self._weight(self._step)
        if self._step == "originals":
            part = (self._bytes_done + self._file_bytes) / self._bytes if self._bytes else 1.0
        else:
            elapsed = self._step_began - self._began
            expected = elapsed * weight / self._done if self._done else 0.0
            part = (now - self._step_began) / expected if expected else 0.0
        return min(self._done + weight * min(part, _ALMOST), 1.0)

    def line(self, now: float) -> str:
        """Return the line as it stands."""
        with self._lock:
            share = self.share(now)
            elapsed = max(now - self._began, 1e-6)
            records = self._records + self._file_records
            # what was read counts as done by how far the whole run is
            pace = records / elapsed if self._step == "originals" else records * share / elapsed
            filled = round(24 * share)
            text = (
                f"[{'#' * filled}{'.' * (24 - filled)}] {share:4.0%}  {counted(records, 'record', 'records')}"
            )
            if records:
                text += f", {pace:,.0f} a second"
            if share >= _TELLING:
                text += f", about {_span(elapsed * (1 - share) / share)} left"
            return f"{text}  {self._step}"[: self._width - 1]

    @contextlib.contextmanager
    def drawn(self) -> Iterator[Bar]:
        """Draw it while the block runs; the line is empty again afterwards, whatever happened."""
        stop = threading.Event()

        def draw() -> None:
            while not stop.wait(0.2):
                self._to.write(f"\r{self.line(time.monotonic()).ljust(self._width - 1)}")
                self._to.flush()

        thread = threading.Thread(target=draw, daemon=True)
        thread.start()
        try:
            yield self
        finally:
            stop.set()
            thread.join()
            self._to.write("\r" + " " * (self._width - 1) + "\r")
            self._to.flush()


def _span(seconds: float) -> str:
    if seconds < 90:
        return f"{max(round(seconds), 1)} s"
    return f"{round(seconds / 60)} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


@contextlib.contextmanager
def shown_progress() -> Iterator[Progress]:
    """Give what an ingest tells its course to: a bar where stderr is a terminal, else one line a file."""
    if is_silent():
        yield Progress()
        return
    if not sys.stderr.isatty() or os.environ.get("TERM", "dumb") == "dumb":
        yield Lines()
        return
    with Bar(sys.stderr, shutil.get_terminal_size().columns).drawn() as bar:
        yield bar
