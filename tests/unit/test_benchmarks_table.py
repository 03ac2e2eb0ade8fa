"""The table that the run of all benchmarks ends in."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest
from tests.benchmarks.__main__ import JOBS, page, sections, table
from tests.benchmarks.figures import FILE_SETTING, Figure, note, noted


def test_figures_that_were_noted_stand_in_the_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "figures.jsonl"
    monkeypatch.delenv(FILE_SETTING, raising=False)
    note("nobody asks", [1.0])
    assert noted(path) == []
    monkeypatch.setenv(FILE_SETTING, str(path))
    note("ingest / plain read", [2.5, 1.5, 1.9], most=2, peak_mib=1500.4)
    note("events of a core", [79_999.0], unit="events/s", least=80_000)
    assert noted(path)[0] == Figure("ingest / plain read", (2.5, 1.5, 1.9), most=2, peak_mib=1500.4)
    assert table(noted(path)).splitlines()[2:] == [
        "| ingest / plain read | 1.90 x | 1.50 to 2.50 | at most 2 x | 1,500 MiB |",
        "| events of a core | 79,999 events/s |  | at least 80,000 events/s; not met |  |",
    ]


def test_a_benchmark_run_again_replaces_its_own_section_alone() -> None:
    two = page({"report": "old", "ingest": "kept"})
    assert list(sections(two)) == ["ingest", "report"], "in the order of the benchmarks"
    again = page({**sections(two), "report": "new"})
    assert sections(again) == {"ingest": "kept", "report": "new"}
    assert page(sections(again)) == again
    assert sections("") == {}


def test_every_benchmark_named_is_there() -> None:
    for name, _, _ in JOBS:
        assert importlib.util.find_spec(f"tests.benchmarks.{name}") is not None
