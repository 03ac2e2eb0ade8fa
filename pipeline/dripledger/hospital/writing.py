"""What the dialects share: text columns built set-wise, doses, and files cut out of one long text column."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.limits import dose_factor
from dripledger.hospital.records import Records
from dripledger.hospital.scenario import Scenario
from dripledger.hospital.world import World


@dataclass
class FileTruth:
    """The ledger balance that one file must give."""

    path: str
    source: str
    rows_read: int
    events_kept: int
    duplicates: int
    quarantined: int
    rows_ignored: int
    events: int


def labels(words: list[str], index: Ints) -> pa.Array:
    """Return one word for each index; a negative index gives null."""
    table = pa.array([*words, None], pa.string())
    return table.take(pa.array(np.where(index < 0, len(words), index)))


def numbers(values: Ints) -> pa.Array:
    """Return integers in hundredths, null where negative."""
    return pa.array(values, pa.int64(), mask=values < 0)


def doses(world: World, records: Records, shown: Flags) -> tuple[pa.Array, pa.Array]:
    """Return dose rate and its UCUM unit for the records that show one; null elsewhere."""
    s: Scenario = world.scenario
    infusion = np.where(records.infusion >= 0, records.infusion, 0)
    entry = world.infusions.entry[infusion]
    strengths = np.array(
        [[*(e.concentrations), 0.0, 0.0][:2] if e.dosing_unit else [0.0, 0.0] for e in s.entry] + [[0.0, 0.0]]
    )
    factor = np.array([dose_factor(e.concentration_unit, e.dosing_unit) for e in s.entry] + [0.0])
    by_weight = np.array([bool(e.dosing_unit and "/kg/" in e.dosing_unit) for e in s.entry] + [False])
    strength = strengths[entry, np.clip(world.infusions.concentration[infusion], 0, 1)]
    weight = world.sessions.weight_g[records.session] / 1000
    dose = records.rate / 100 * strength * factor[entry]
    dose = np.where(by_weight[entry], dose / np.where(weight > 0, weight, 1), dose)
    known = shown & (dose > 0) & (~by_weight[entry] | (weight > 0)) & (records.rate > 0)
    unit = labels([e.dosing_unit or "" for e in s.entry], np.where(known, entry, -1))
    return pa.array(np.round(dose, 6), pa.float64(), mask=~known), unit


def write_slices(
    root: Path, lines: pa.Array, files: list[tuple[str, int, int]], trim: frozenset[str]
) -> None:
    """Write files that are slices [begin, end) of a column of lines (large_string).

    `trim` names the files that end without a last newline.
    """
    offsets = np.frombuffer(lines.buffers()[1], np.int64)[lines.offset : lines.offset + len(lines) + 1]
    data = memoryview(lines.buffers()[2])
    for name, begin, end in files:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        piece = data[int(offsets[begin]) : int(offsets[end])]
        path.write_bytes(piece[:-1] if name in trim else piece)


def month_slices(file_of: npt.NDArray[np.int64]) -> list[tuple[int, int, int]]:
    """Return (file number, begin, end) for a sorted column of file numbers."""
    begins = np.flatnonzero(np.diff(file_of, prepend=-1))
    ends = np.append(begins[1:], len(file_of))
    return [(int(file_of[b]), int(b), int(e)) for b, e in zip(begins, ends, strict=True)]
