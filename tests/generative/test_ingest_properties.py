"""Whatever comes in: every record is accounted for, and neither order nor splitting changes what happened."""

from __future__ import annotations

import json
import random
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.event_samples import HEADER, WARDS, drop, events, make_site, read, waiting

from dripledger.events import IngestResult
from dripledger.site import Site

# An ingest takes hardly longer for eight pumps than for two: few examples of many pumps.
COMMON = settings(max_examples=2, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
PUMPS = tuple(f"P{number}" for number in range(1, 9))


def on_logs(
    check: Callable[..., None], examples: int, pumps: Sequence[str], *more: st.SearchStrategy[Any]
) -> None:
    """Check drawn logs of these pumps."""
    settings(COMMON, max_examples=examples)(given(logs(pumps), *more)(check))()


#: Few logs of many pumps; and many of two, which shrink to a small one.
SIZES = pytest.mark.parametrize(
    ("examples", "pumps"),
    [(2, PUMPS), pytest.param(30, PUMPS[:2], marks=pytest.mark.slow)],
    ids=["many pumps", "two pumps"],
)


@contextmanager
def fresh(sources: dict[str, str] | None = None) -> Iterator[Site]:
    with tempfile.TemporaryDirectory() as name:
        yield make_site(Path(name), sources)


@st.composite
def logs(draw: st.DrawFn, pumps: Sequence[str]) -> list[tuple[str, str]]:
    """Draw (second, line) pairs: some pumps through the autumn hour, some records twice, some unreadable."""
    lines: list[tuple[str, str]] = []
    for pump in pumps:
        minute = draw(st.integers(0, 40))
        number = draw(st.integers(1, 500))
        for _ in range(draw(st.integers(0, 14))):
            minute += draw(st.integers(0, 20))
            number += draw(st.sampled_from([1, 1, 1, 3]))
            # minutes since midnight of 2026-10-25 by a clock that is set back from 02:00 to 01:00
            shown = minute if minute < 120 else minute - 60
            second = f"2026-10-25 {shown // 60:02d}:{shown % 60:02d}:{draw(st.sampled_from([0, 0, 7])):02d}"
            kind = draw(st.sampled_from(["START", "RATE", "STOP", "SWITCH", "BEAT", "ODD"]))
            rate = draw(st.sampled_from(["5", "7.50", "9999", "x", ""]))
            area = draw(st.sampled_from(["ICU", " icu", "Ward, north", ""]))
            area = f'"{area}"' if "," in area else area
            line = f"{pump},{second},{number},{kind},{area},Heparin,{rate},70"
            for _ in range(draw(st.sampled_from([1, 1, 1, 2]))):
                lines.append((second, line))
            if draw(st.integers(0, 9)) == 0:
                # the same identity with another weight: a conflict
                lines.append((second, line[:-2] + "71"))
    return lines


def state(site: Site) -> tuple[object, object]:
    return events(site), waiting(site)


def text(lines: list[tuple[str, str]]) -> str:
    return HEADER + "".join(line + "\n" for _, line in lines)


@SIZES
def test_shuffling_changes_nothing_but_lineage(examples: int, pumps: Sequence[str]) -> None:
    on_logs(_shuffled, examples, pumps, st.randoms(use_true_random=False))


def _shuffled(lines: list[tuple[str, str]], rng: random.Random) -> None:
    shuffled = list(lines)
    rng.shuffle(shuffled)
    with fresh() as one, fresh() as two:
        drop(one, "wards.csv", text(lines))
        drop(two, "wards.csv", text(shuffled))
        first, second = read(one), read(two)
        assert first.balanced
        assert second.balanced
        if lines:
            assert state(one) == state(two)


@SIZES
def test_any_split_gives_the_same_tables(examples: int, pumps: Sequence[str]) -> None:
    on_logs(_split, examples, pumps, st.data())


def _split(lines: list[tuple[str, str]], data: st.DataObject) -> None:
    lines.sort()
    cuts = [i for i in range(1, len(lines)) if lines[i][0] != lines[i - 1][0]]
    chosen = sorted(data.draw(st.sets(st.sampled_from(cuts), max_size=3))) if cuts else []
    parts = [lines[a:b] for a, b in zip([0, *chosen], [*chosen, len(lines)], strict=True)]
    order = data.draw(st.permutations(range(len(parts))))
    with fresh() as whole, fresh() as split:
        drop(whole, "wards.csv", text(lines))
        assert read(whole).balanced
        for place in order:
            drop(split, f"wards{place}.csv", text(parts[place]))
            if data.draw(st.booleans()):
                assert read(split).balanced
        read(split)
        if lines:
            assert state(whole) == state(split)


@SIZES
def test_ingest_twice_is_once(examples: int, pumps: Sequence[str]) -> None:
    on_logs(_twice, examples, pumps)


def _twice(lines: list[tuple[str, str]]) -> None:
    with fresh() as site:
        drop(site, "wards.csv", text(lines))
        first = read(site)
        before = state(site)
        again = read(site)
        assert again.store_version == first.store_version
        assert all(file.already_read for file in again.files)
        # an export of the same records in another file: all known, or waiting already
        drop(site, "wards-again.csv", text(lines) + "\n")
        export = read(site)
        assert state(site) == before
        assert export.total("events") == 0
        assert export.total("events_kept") == 0
        assert export.total("quarantined") == 0
        assert export.balanced


def count_delimited(data: bytes) -> int:
    """Count records the slow way: a state machine, one byte at a time; the header is not counted."""
    lines = data.split(b"\n")
    count, at = 0, 0
    while at < len(lines):
        if lines[at] in (b"", b"\r"):
            at += 1
            continue
        taken = 1
        for size in range(1, len(lines) - at + 1):
            verdict = judge(b"\n".join(lines[at : at + size]))
            if verdict == "whole":
                taken = size
            if verdict != "open":
                break
        count += 1
        at += taken
    return max(count - 1, 0)


def judge(record: bytes) -> str:
    """Say whether these bytes are a whole record, one whose quote is still open, or a broken one."""
    mode = "start"
    body = record[:-1] if record.endswith(b"\r") else record
    for byte in body:
        char = bytes([byte])
        if mode == "start":
            if char == b'"':
                mode = "quoted"
            elif char not in (b",", b" "):
                mode = "plain"
        elif mode == "plain":
            mode = "start" if char == b"," else "plain"
        elif mode == "quoted":
            mode = "closing" if char == b'"' else "quoted"
        elif mode == "closing":
            if char == b'"':
                mode = "quoted"
            elif char == b",":
                mode = "start"
            elif char == b" ":
                mode = "after"
            else:
                return "broken"
        elif mode == "after":
            if char == b",":
                mode = "start"
            elif char != b" ":
                return "broken"
    return "open" if mode == "quoted" else "whole"


ANYTHING = st.lists(
    st.sampled_from(
        [
            b"P1,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n",
            b"P1,2026-10-01 10:00:00,2,STOP,ICU,Heparin,5\n",
            b'P2,2026-10-01 10:00:00,3,START,"I""C,U",Heparin,5,70\r\n',
            b'P2,2026-10-01 10:00:00,3,START,"IC\nU",Heparin,5,70\n',
            b'"', b"\n", b"\r\n", b",", b" ", b"x", b"\xc3\xa9", b"\xff", b"\xc3", b"\x00", b"\t", b'""',
        ]
    ),
    max_size=14,
).map(b"".join)  # fmt: skip


def balances(result: IngestResult, counts: dict[str, int]) -> None:
    """Check the ingest of files whose records were counted: each read so, or refused and named."""
    read_files = {file.path: file.rows_read for file in result.files}
    assert len(read_files) + len(result.failures) == len(counts)
    assert read_files.items() <= counts.items()
    # a whole file is refused where it is not UTF-8
    for name in counts.keys() - read_files.keys():
        assert any(name in str(failure) for failure in result.failures)
    assert result.exit_code == 3 or not result.failures
    assert result.balanced


# one at a time shrinks to one; many at once cost as much as one
@pytest.mark.parametrize(("examples", "together"), [(3, 10), pytest.param(100, 1, marks=pytest.mark.slow)])
def test_balance_holds_for_any_delimited_bytes(examples: int, together: int) -> None:
    @settings(COMMON, max_examples=examples)
    @given(st.lists(ANYTHING, min_size=together, max_size=together, unique=True))
    def check(files: list[bytes]) -> None:
        with fresh() as site:
            for number, data in enumerate(files):
                drop(site, f"wards{number}.csv", HEADER.encode() + data)
            balances(
                read(site),
                {f"wards{n}.csv": count_delimited(HEADER.encode() + data) for n, data in enumerate(files)},
            )

    check()


JSON_SOURCE = WARDS.replace("delimited", "json_lines").replace("csv", "jsonl")


ANY_LINES = st.lists(
    st.one_of(
        st.binary(max_size=12),
        st.fixed_dictionaries(
            {"Device": st.sampled_from(["P1", None, 5]), "Seq": st.integers(0, 3)},
            optional={
                "Time": st.sampled_from(["2026-10-01 10:00:00", "x", 7, [1]]),
                "Event": st.sampled_from(["START", "BEAT", {"a": 1}]),
                "Area": st.text(max_size=3), "Drug": st.none(), "Rate": st.floats(),
                "Weight": st.just(70),
            },
        ).map(lambda row: json.dumps(row).encode()),
    ),
    max_size=8,
).map(b"\n".join)  # fmt: skip


@pytest.mark.parametrize(("examples", "together"), [(2, 10), pytest.param(100, 1, marks=pytest.mark.slow)])
def test_balance_holds_for_any_json_lines(examples: int, together: int) -> None:
    @settings(COMMON, max_examples=examples)
    @given(st.lists(ANY_LINES, min_size=together, max_size=together, unique=True))
    def check(files: list[bytes]) -> None:
        with fresh({"wards": JSON_SOURCE}) as site:
            for number, data in enumerate(files):
                drop(site, f"wards{number}.jsonl", data)
            balances(
                read(site),
                {
                    f"wards{n}.jsonl": sum(1 for line in data.split(b"\n") if line.strip())
                    for n, data in enumerate(files)
                },
            )

    check()
