"""Which pumps are read whole because of their counter, against the order that the rebuilding gives events."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from random import Random
from typing import Final, NamedTuple

import duckdb
import pyarrow as pa
import pytest
from tests.marks import LONG

from dripledger.engine import connect, load_sql_files
from dripledger.infusions import resume_counter

_BEGIN = datetime(2025, 1, 1, tzinfo=UTC)
_PUMPS = 400
_MOMENT = pa.timestamp("us", "UTC")
_TOLD = pa.schema({
    "facility": pa.string(), "pump_id": pa.string(), "sequence": pa.int64(), "sequence_reliable": pa.bool_(),
    "occurred_at": _MOMENT, "record_place": pa.int64(), "event_id": pa.string(), "is_ignored": pa.bool_(),
})  # fmt: skip
_FOUND = pa.schema({
    "facility": pa.string(), "pump_id": pa.string(), "read_from": _MOMENT, "check_from": _MOMENT,
    "replace_from": _MOMENT,
})  # fmt: skip


class Number(NamedTuple):
    """A number of a counter, when it was logged, and which event of its record this is; None: no number."""

    sequence: int | None
    at: datetime
    place: int = 0


Moments = tuple[datetime, datetime, datetime]
Pump = tuple[list[Number], Moments]


def drawn_pump(random: Random) -> Pump:
    """Draw the events of a pump over a year and a half, and when it is read, compared and replaced from."""
    gaps, resets = random.choice((0, 0, 0.002, 0.02)), random.choice((0, 0, 0, 0.004))
    repeats, clocks = random.choice((0, 0, 0, 0.01)), random.choice((0, 0, 0.01, 0.05))
    doubled, unnumbered = random.choice((0, 0, 0.05)), random.choice((0, 0, 0.1))
    at, ahead, sequence = _BEGIN, timedelta(), random.choice((0, 1, 63, 64, 5000, -200, 10**18, -(10**18)))
    numbers: list[Number] = []
    for _ in range(random.randrange(40, 300)):
        at += timedelta(hours=random.choice((0, 1, 20, 90)))
        if random.random() < clocks:
            ahead = timedelta(days=random.choice((0, 0, 0.02, 1, 35, -20)))
            # now and then nothing is used for longer than a stretch after it
            at += timedelta(days=random.choice((0, 0, 40)))
        sequence += 1 + (random.randrange(1, 90) if random.random() < gaps else 0)
        if random.random() < resets:
            sequence -= random.randrange(1, 200)
        told = random.choice(numbers).sequence if numbers and random.random() < repeats else sequence
        numbers.append(Number(None if random.random() < unnumbered else told, at + ahead))
        if random.random() < doubled:
            numbers.append(numbers[-1]._replace(place=1))
    first, second, third = sorted(random.sample(range(len(numbers) // 2, len(numbers)), 3))
    after = timedelta(seconds=random.choice((0, 1)))
    read, check, replace = sorted(numbers[place].at + after for place in (first, second, third))
    return numbers, (read, check, replace)


def in_order(numbers: list[Number]) -> bool:
    """Whether all numbers rise with time, each at one instant: nothing that anybody could doubt."""
    told = sorted((n.at, n.sequence) for n in numbers if n.sequence is not None)
    instants = {(sequence, at) for at, sequence in told}
    rises = all(one[1] <= other[1] for one, other in pairwise(told))
    return rises and len({sequence for sequence, _ in instants}) == len(instants)


def ordered(con: duckdb.DuckDBPyConnection, since: str) -> dict[str, list[str]]:
    """Return the events of each pump in the order in which the rebuilding takes them."""
    con.execute(
        "create or replace temp table counter_log as select dense_rank() over (order by pump_id) as pump_no, "
        "event_id, sequence, record_place, occurred_at as device_time, epoch_us(occurred_at) as occurred_us, "
        "cast(null as bigint) as file_rank, 1 as tie_rank, true as is_event "
        f"from told inner join found using (facility, pump_id) where {since}"
    )
    files = load_sql_files("infusions")
    for name in ("counter_order", "counter_lives", "counter_runs", "pump_order"):
        con.execute(f"create or replace temp table {name} as {files[name].text}")
    names: dict[str, list[str]] = defaultdict(list)
    for (event,) in con.execute("select event_id from pump_order order by order_place").fetchall():
        names[event.split()[0]].append(event)
    return names


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=LONG) for seed in range(2, 12))])
def test_a_pump_is_read_in_part_only_where_its_events_stand_as_in_the_whole(seed: int) -> None:
    """All others are read whole; and none is of which nobody could doubt the order."""
    random = Random(seed)
    pumps = {f"P{place:03}": drawn_pump(random) for place in range(_PUMPS)}
    with connect() as con:
        kept = left_in(con, pumps, random)
        whole, part = ordered(con, "true"), ordered(con, "occurred_at >= read_from")
        before = ordered(con, "occurred_at < replace_from")
    other = moved = 0
    for pump, (numbers, (read, *_)) in pumps.items():
        lately = {f"{pump} {place}" for place, number in enumerate(numbers) if number.at >= read}
        # all that is not read stands before all that is
        stands = whole[pump][len(whole[pump]) - len(lately) :] == part[pump]
        assert stands or pump not in kept, (seed, pump)
        # nor does what is new move what is not replaced
        stays = whole[pump][: len(before[pump])] == before[pump]
        assert stays or pump not in kept, (seed, pump)
        assert pump in kept or not in_order(numbers), (seed, pump)
        other += not stands
        moved += stands and not stays
    assert other > _PUMPS / 10
    assert moved > 0
    assert len(kept) > _PUMPS / 10


def left_in(con: duckdb.DuckDBPyConnection, pumps: dict[str, Pump], random: Random) -> set[str]:
    """Return the pumps that need not be read whole; now and then a number is that of an ignored record.

    Leaves `told` (every event) and `found` (every pump with its moments) in the connection.
    """
    found = [("Harbour Hill", pump, *moments) for pump, (_, moments) in pumps.items()]
    told = [
        ("Harbour Hill", pump, number.sequence, number.sequence is not None, number.at, number.place,
         f"{pump} {place}", random.random() < 0.1)
        for pump, (numbers, _) in pumps.items() for place, number in enumerate(numbers)
    ]  # fmt: skip
    con.register("told", table_of(told, _TOLD))
    con.register("found", table_of(found, _FOUND))
    con.execute("create temp table resume_found as select * from found")
    con.execute("create temp view ignored as select * from told where is_ignored")
    # a source whose numbers are not reliable says nothing
    con.execute(
        "create temp view events as select * from told where not is_ignored union all "
        "select facility, pump_id, 7, false, occurred_at, 0, 'none', false from told where is_ignored"
    )
    resume_counter.leave_out_other_orders(con)
    return {pump for (pump,) in con.execute("select pump_id from resume_found").fetchall()}


def table_of(rows: list[tuple[object, ...]], schema: pa.Schema) -> pa.Table:
    """Return rows as a table, also where there is none."""
    return pa.Table.from_pylist([dict(zip(schema.names, row, strict=True)) for row in rows], schema)


def days(*told: tuple[int, float]) -> list[Number]:
    """Return numbers, each with the days since a stretch began."""
    begin = datetime(2025, 1, 12, tzinfo=UTC)
    assert int(begin.timestamp() * 1_000_000) % resume_counter._STRETCH_US == 0
    return [Number(sequence, begin + timedelta(days=at)) for sequence, at in told]


#: What each way of telling such a pump was missing once, and which three events it is read, compared and
#: replaced from.
CASES: Final = {
    "of one record come two events, which make up for a lost number": (
        days((10, 1), (14, 2), (12, 3), (15, 31), (15, 31), (16, 32), (17, 33), (18, 34)), (5, 6, 7)
    ),
    "the run goes on from a stretch before the last": (
        days((13, 5), (14, 6), (10, 40), (11, 40.1), (15, 65), (16, 66), (17, 67), (18, 68)), (5, 6, 7)
    ),
    "another run overtakes what is read of the one that goes on": (
        days((14, 49), (15, 49.5), (22, 50), (16, 50.5), (17, 51), (30, 52), (31, 53), (32, 54)), (2, 5, 6)
    ),
    "what is new goes on from before something that is lower and later": (
        days((10, 40), (11, 41), (12, 50), (16, 51), (14, 52), (17, 53), (18, 54), (19, 55)), (2, 5, 5)
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_what_was_missed_once_is_read_whole(name: str) -> None:
    numbers, places = CASES[name]
    read, check, replace = (numbers[place].at for place in places)
    with connect() as con:
        assert left_in(con, {"P1": (numbers, (read, check, replace))}, Random(1)) == set()
        whole, part = ordered(con, "true")["P1"], ordered(con, "occurred_at >= read_from")["P1"]
        before = ordered(con, "occurred_at < replace_from")["P1"]
    # and has to be
    assert whole[len(whole) - len(part) :] != part or whole[: len(before)] != before


def test_a_number_at_two_instants_is_a_doubt() -> None:
    """Also where it makes up for a lost one: as many numbers as from the lowest to the highest."""
    numbers = days((10, 0), (11, 1), (13, 2), (11, 3), (14, 4), (15, 5), (16, 6), (17, 7), (18, 8))
    with connect() as con:
        moments = (numbers[5].at, numbers[6].at, numbers[7].at)
        assert left_in(con, {"P1": (numbers, moments)}, Random(1)) == set()


def test_a_run_that_goes_on_is_read_in_part() -> None:
    numbers = days(*((place, place / 2) for place in range(400)))
    with connect() as con:
        moments = (numbers[300].at, numbers[310].at, numbers[320].at)
        assert left_in(con, {"P1": (numbers, moments)}, Random(1)) == {"P1"}
