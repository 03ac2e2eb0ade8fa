"""Whether running numbers have holes is judged inside each counter, which is a pump's or a channel's own."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest

from dripledger.drafting.draft import draft


def _said(folder: Path, rows: Iterable[tuple[str, str, int]]) -> str:
    lines = [
        f"{pump},{channel},{number},2026-10-{13 + k // 600} {8 + k // 60 % 10:02}:{k % 60:02}:00,"
        f"{'Start' if k % 2 else 'Stop'}"
        for k, (pump, channel, number) in enumerate(rows)
    ]
    path = folder / "log.csv"
    path.write_text("Pump,Channel,Sequence,Time,Event\n" + "\n".join(lines) + "\n", encoding="utf-8")
    (line,) = [t for t in draft(path).splitlines() if t.startswith("sequence_reliable")]
    return line


def _pumps(missing: int | None = None) -> list[tuple[str, str, int]]:
    """Three pumps whose counters stand far apart; of the second one number may be missing."""
    return [(f"P-{p}", "A", 1000 * p + n) for p in (1, 2, 3) for n in range(40) if 1000 * p + n != missing]


@pytest.mark.parametrize("order", ["one after the other", "in turn", "newest first"])
def test_each_pump_has_its_own_counter(tmp_path: Path, order: str) -> None:
    rows = _pumps()
    if order == "in turn":
        rows.sort(key=lambda row: (row[2] % 1000, row[0]))
    elif order == "newest first":
        rows.reverse()
    assert "no number is missing in the sample, counted by pump;" in _said(tmp_path, rows)


def test_a_number_that_is_missing_on_one_pump_is_seen(tmp_path: Path) -> None:
    for rows in (_pumps(2017), _pumps(2017)[::-1], sorted(_pumps(2017), key=lambda row: row[2] % 1000)):
        assert "numbers are missing in the sample, counted by pump" in _said(tmp_path, rows)


def test_a_counter_may_be_that_of_a_channel(tmp_path: Path) -> None:
    rows = [
        (f"P-{p}", c, first + n)
        for n in range(40)
        for p in (1, 2)
        for c, first in (("A", 100 * p), ("B", 7000 * p))
    ]
    assert "no number is missing in the sample, counted by pump and channel;" in _said(tmp_path, rows)


def test_a_counter_that_begins_anew_has_no_hole(tmp_path: Path) -> None:
    rows = [("P-1", "A", n) for n in (*range(5000, 5040), *range(1, 40))]
    assert "no number is missing in the sample, counted by pump;" in _said(tmp_path, rows)
