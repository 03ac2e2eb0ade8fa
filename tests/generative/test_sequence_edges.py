"""Edges of runs of numbers, told from words of 64: those that every number by itself gives."""

from __future__ import annotations

from random import Random
from typing import Final, NamedTuple

import pyarrow as pa
import pytest
from tests.database import connection
from tests.marks import LONG

from dripledger.engine import load_sql_files

_PUMPS: Final = 300
_FAR: Final = 10**18
_SCHEMA: Final = pa.schema(
    {
        "source": pa.string(),
        "pump_id": pa.string(),
        "sequence": pa.int64(),
        "device_time": pa.int64(),
        "occurred_at": pa.int64(),
    }
)


class Record(NamedTuple):
    """A numbered record."""

    source: str
    pump_id: str
    sequence: int
    device_time: int | None
    occurred_at: int | None


def drawn(random: Random, pump: str) -> list[Record]:
    """Draw some runs of a pump's numbers, many of them whole words of 64 and their neighbours."""
    begins = (0, 1, 63, 64, 65, 127, 128, -1, -64, -65, _FAR, -_FAR, random.randrange(-300, 300))
    found: list[Record] = []
    for _ in range(random.randrange(1, 5)):
        first = random.choice(begins)
        gaps, repeats = random.choice((0, 0, 0.01)), random.choice((0, 0, 0, 0.01))
        for number in range(first, first + random.choice((1, 2, 62, 63, 64, 65, 128, 200))):
            if random.random() < gaps:
                continue
            for _ in range(2 if random.random() < repeats else 1):
                at = None if random.random() < 0.002 else number // 3 + random.choice((0, 0, 0, 1000))
                source = "other" if random.random() < 0.002 else "wards"
                found.append(Record(source, pump, number, at, random.choice((number, None))))
    return found


def _last(value: int | None) -> tuple[bool, int]:
    return value is None, value or 0


def edges(records: list[Record]) -> list[tuple[object, ...]]:
    """Judge every record of one source and pump by the numbers before and after it."""
    order = sorted(records, key=lambda r: (r.sequence, _last(r.device_time), _last(r.occurred_at)))
    found = []
    for place, one in enumerate(order):
        before = order[place - 1] if place else None
        after = order[place + 1] if place + 1 < len(order) else None
        opens = before is None or one.sequence - before.sequence > 1
        closes = after is None or after.sequence - one.sequence > 1
        again = before is not None and before.sequence == one.sequence
        times = (one.device_time, before.device_time) if before is not None else (None, None)
        repeats = again and None not in times and times[0] != times[1]
        if opens or closes or repeats:
            found.append((*one, opens, closes, repeats))
    return found


def _sorted(rows: list[tuple[object, ...]]) -> list[tuple[object, ...]]:
    return sorted(rows, key=repr)


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=LONG) for seed in range(2, 6))])
def test_edges_are_those_that_every_number_by_itself_gives(seed: int) -> None:
    random = Random(seed)
    by_pump: dict[tuple[str, str], list[Record]] = {}
    for number in range(_PUMPS):
        for one in drawn(random, f"P{number}"):
            by_pump.setdefault((one.source, one.pump_id), []).append(one)
    rows = [one for some in by_pump.values() for one in some]
    with connection() as con:
        con.register("sequence_records", pa.Table.from_pylist([one._asdict() for one in rows], _SCHEMA))
        found = con.execute(load_sql_files("measures")["sequence_edges"].text).fetchall()
    expected = [edge for some in by_pump.values() for edge in edges(some)]
    assert _sorted(found) == _sorted(expected)
    assert len(expected) < len(rows) / 4, "most numbers are no edge, or nothing was left out"
    assert {True, False} == {row[-1] for row in found}
