"""What the engine's own reader would forgive: read the same whatever way a file is read, and nothing lost."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from tests.event_samples import HEADER, drop, make_site, read, rows

GOOD = "P1,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"
MORE = "P1,2026-10-01 11:00:00,9,STOP,,,,\n"


def _told(site_root: Path, files: dict[str, bytes]) -> tuple[list[object], list[object]]:
    site = make_site(site_root)
    for name, data in files.items():
        drop(site, name, data)
    assert read(site).balanced
    kept = rows(site, "select sequence, source_record from events order by sequence")
    return list(kept), list(rows(site, "select source_record, reasons from quarantined order by 1"))


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("extra", [",", ",x", '," "'])
def test_a_value_too_many_waits_also_where_it_is_empty(tmp_path: Path, packed: bool, extra: str) -> None:
    data = (HEADER + GOOD + MORE.replace("\n", f"{extra}\n")).encode()
    name = "wards.csv.gz" if packed else "wards.csv"
    mapping_takes = {name: gzip.compress(data) if packed else data}
    kept, waiting = _told(tmp_path, mapping_takes)
    assert kept == [(1, 1)]
    assert waiting == [(2, ["wrong_number_of_fields"])]


def test_a_bare_carriage_return_beside_another_file_hides_nothing(tmp_path: Path) -> None:
    """Two lines that a bare CR joins are one record; the ragged one after it waits on its own."""
    joined = GOOD.rstrip("\n") + "\r" + GOOD.replace(",1,START", ",2,START")
    ragged = "P1,2026-10-01 10:30:00,3,RATE,ICU,Heparin,6,70,more\n"
    last = "P1,2026-10-01 10:40:00,4,RATE,ICU,Heparin,7,70\n"
    alone = _told(tmp_path / "alone", {"wards1.csv": (HEADER + joined + ragged + last).encode()})
    beside = _told(
        tmp_path / "beside",
        {"wards1.csv": (HEADER + joined + ragged + last).encode(), "wards2.csv": (HEADER + MORE).encode()},
    )
    assert (4, 3) in alone[0]
    assert beside[0] == [*alone[0], (9, 1)]
    assert beside[1] == alone[1]
    assert (2, ["wrong_number_of_fields"]) in alone[1]


def test_one_ragged_file_costs_its_neighbours_nothing(tmp_path: Path) -> None:
    files = {f"wards{n}.csv": (HEADER + GOOD.replace(",1,", f",{n},")).encode() for n in (1, 2, 3)}
    files["wards2.csv"] += b"P1,2026-10-01\n"
    kept, waiting = _told(tmp_path, files)
    assert [row[0] for row in kept] == [1, 2, 3]  # type: ignore[index]
    assert waiting == [(2, ["wrong_number_of_fields"])]
