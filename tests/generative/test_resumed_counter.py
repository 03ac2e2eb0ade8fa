"""Which pumps are read whole because of their counter, against the plain definition over every number."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime, timedelta
from random import Random
from typing import NamedTuple

import pyarrow as pa
import pytest
from tests.marks import LONG

from dripledger.engine import connect
from dripledger.infusions import resume_counter

_BEGIN = datetime(2025, 1, 1, tzinfo=UTC)
#: A number at two instants is a doubt since then, wherever it stands.
_HORIZON = _BEGIN + timedelta(days=200)
_PUMPS = 400
_MOMENT = pa.timestamp("us", "UTC")
_NUMBERS = pa.schema({
    "facility": pa.string(), "pump_id": pa.string(), "sequence": pa.int64(), "sequence_reliable": pa.bool_(),
    "occurred_at": _MOMENT,
})  # fmt: skip
_FOUND = pa.schema({
    "facility": pa.string(), "pump_id": pa.string(), "read_from": _MOMENT, "check_from": _MOMENT,
    "replace_from": _MOMENT,
})  # fmt: skip


class Number(NamedTuple):
    """One number of a counter, and when it was logged."""

    sequence: int
    at: datetime


Moments = tuple[datetime, datetime, datetime]


def drawn_pump(random: Random) -> tuple[list[Number], Moments]:
    """Draw the numbers of a pump over a year and a half, and when it is read, compared and replaced from."""
    gaps, resets = random.choice((0, 0, 0.002, 0.02)), random.choice((0, 0, 0, 0.004))
    repeats, clocks = random.choice((0, 0, 0, 0.01)), random.choice((0, 0, 0.01))
    at, ahead, sequence = _BEGIN, timedelta(), random.choice((0, 1, 63, 64, 5000))
    numbers = []
    for _ in range(random.randrange(40, 300)):
        at += timedelta(hours=random.choice((0, 1, 20, 90)))
        if random.random() < clocks:
            ahead = timedelta(days=random.choice((0, 1, 35, -20)))
        sequence += 1 + (random.randrange(1, 90) if random.random() < gaps else 0)
        if random.random() < resets:
            sequence = random.randrange(sequence)
        told = random.choice(numbers).sequence if numbers and random.random() < repeats else sequence
        numbers.append(Number(told, at + ahead))
    first, second, third = sorted(random.sample(range(len(numbers) // 2, len(numbers)), 3))
    after = timedelta(seconds=random.choice((0, 1)))
    read, check, replace = sorted(numbers[place].at + after for place in (first, second, third))
    return numbers, (read, check, replace)


def repeated(numbers: list[Number]) -> bool:
    """Whether a number stands at two instants."""
    instants: dict[int, set[datetime]] = defaultdict(set)
    for number in numbers:
        instants[number.sequence].add(number.at)
    return any(len(found) > 1 for found in instants.values())


def goes_back(numbers: list[Number], moments: Moments) -> bool:
    """Whether a number before one of the moments is as high as one after it."""
    for moment in moments:
        before = [n.sequence for n in numbers if n.at < moment]
        after = [n.sequence for n in numbers if n.at >= moment]
        if before and after and max(before) >= min(after):
            return True
    return False


def belongs_after(numbers: list[Number]) -> bool:
    """Whether one of these stands after the run of the highest: it is lower, and later than its first."""
    ordered = sorted(numbers)
    begins = 0
    for place in range(1, len(ordered)):
        if ordered[place].sequence > ordered[place - 1].sequence + 1:
            begins = place
    return any(n.at > ordered[begins].at for n in ordered[:begins])


def run_of_highest(numbers: list[Number]) -> list[Number]:
    """Return the unbroken run that ends with the highest number."""
    known = {n.sequence for n in numbers}
    lowest = max(known, default=0)
    while lowest - 1 in known:
        lowest -= 1
    return [n for n in numbers if n.sequence >= lowest]


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=LONG) for seed in range(2, 12))])
def test_a_pump_is_read_whole_where_its_counter_leaves_doubt(seed: int) -> None:
    """All that have to be are; and none is whose numbers stand in order, each at one instant."""
    random = Random(seed)
    pumps = {f"P{place:03}": drawn_pump(random) for place in range(_PUMPS)}
    kept = left_in(pumps, random)
    whole = 0
    for pump, (numbers, moments) in pumps.items():
        before = [n for n in numbers if n.at < moments[0]]
        lately = [n for n in numbers if n.at >= min(_HORIZON, moments[0])]
        surely = goes_back(numbers, moments) or repeated(lately)
        surely = surely or belongs_after(before) or repeated(run_of_highest(before))
        perhaps = surely or repeated(numbers)
        assert not (surely and pump in kept), (seed, pump)
        assert perhaps or pump in kept, (seed, pump)
        whole += pump not in kept
    assert whole > _PUMPS / 10
    assert len(kept) > _PUMPS / 10


def table_of(rows: list[tuple[object, ...]], schema: pa.Schema) -> pa.Table:
    """Return rows as a table, also where there is none."""
    return pa.Table.from_pylist([dict(zip(schema.names, row, strict=True)) for row in rows], schema)


def left_in(pumps: dict[str, tuple[list[Number], Moments]], random: Random) -> set[str]:
    """Return the pumps that need not be read whole; now and then a number is that of an ignored record."""
    rows: dict[str, list[tuple[object, ...]]] = {"events": [], "ignored": []}
    for pump, (numbers, _) in pumps.items():
        for number in numbers:
            name = "ignored" if random.random() < 0.1 else "events"
            rows[name].append(("Harbour Hill", pump, number.sequence, True, number.at))
            # of a source whose numbers are not reliable
            if random.random() < 0.02:
                rows["events"].append(("Harbour Hill", pump, random.randrange(9999), False, number.at))
    found = [("Harbour Hill", pump, *moments) for pump, (_, moments) in pumps.items()]
    with connect() as con:
        for name, told in rows.items():
            con.register(name, table_of(told, _NUMBERS))
        con.register("found", table_of(found, _FOUND))
        con.execute("create temp table resume_found as select * from found")
        resume_counter.leave_out_other_orders(con, f"timestamptz '{_HORIZON.isoformat()}'")
        return {pump for (pump,) in con.execute("select pump_id from resume_found").fetchall()}


def test_a_lost_number_and_one_told_twice_do_not_make_up_for_each_other() -> None:
    """As many numbers as from lowest to highest, and yet one is lost: the second 11 is later than 13."""
    told = [10, 11, 13, 11, 14, 15, 16, 17]
    numbers = [Number(sequence, _BEGIN + timedelta(days=place)) for place, sequence in enumerate(told)]
    moments = (numbers[5].at, numbers[6].at, numbers[7].at)
    assert left_in({"P1": (numbers, moments)}, Random(1)) == set()
    in_order = sorted(set(told))
    numbers = [Number(sequence, _BEGIN + timedelta(days=place)) for place, sequence in enumerate(in_order)]
    moments = (numbers[4].at, numbers[5].at, numbers[6].at)
    assert left_in({"P1": (numbers, moments)}, Random(1)) == {"P1"}
