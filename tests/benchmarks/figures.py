"""What a benchmark found, noted where the run of all of them collects it."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

#: Names the file to which figures are added, a JSON text a line; unset: a benchmark runs alone.
FILE_SETTING: Final = "DRIPLEDGER_FIGURES"


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table.

    Attributes
    ----------
    what
        What was measured, and against what.
    values
        One a run, in `unit`.
    unit
        ``x`` for a ratio to the yardstick of the same run.
    most, least
        The bound that is wanted, where there is one.
    peak_mib
        The most memory that the work took.
    """

    what: str
    values: tuple[float, ...]
    unit: str = "x"
    most: float | None = None
    least: float | None = None
    peak_mib: float | None = None


def note(
    what: str,
    values: Sequence[float],
    *,
    unit: str = "x",
    most: float | None = None,
    least: float | None = None,
    peak_mib: float | None = None,
) -> None:
    """Add a figure to the file that the run of all benchmarks reads; alone, a benchmark only prints."""
    path = os.environ.get(FILE_SETTING)
    if path:
        figure = Figure(what, tuple(values), unit, most, least, peak_mib)
        with Path(path).open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(figure)) + "\n")


def verdict(value: float, most: float) -> str:
    """Say whether a figure keeps its bound."""
    return "met" if value <= most else "NOT MET"


def noted(path: Path) -> list[Figure]:
    """Read the figures of a file."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return [Figure(**{**told, "values": tuple(told["values"])}) for told in map(json.loads, lines)]
