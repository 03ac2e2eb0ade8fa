"""A record in which a file was cut waits no longer once a later export holds it whole."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.event_samples import HEADER, WARDS, drop, make_site, read, rows
from tests.marks import LONG

from dripledger.events import balance, redo, retry
from dripledger.site import Site, load_site
from dripledger.store import Ledger

LINES = [f"P1,2026-10-01 1{n}:00:00,{n},RATE,ICU,Heparin,{n},70\n" for n in range(4)]
WHOLE = HEADER + "".join(LINES)
CUT = HEADER + LINES[0] + LINES[1] + LINES[2][:20]
LEDGER = "select path, rows_read, events_kept, duplicates, quarantined from ingests order by path"


def sound(site: Site) -> None:
    assert balance(Ledger.open(site.store).snapshot()).balanced


def test_whole_export_in_a_later_ingest(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards1.csv", CUT)
    read(site)
    assert rows(site, LEDGER) == [("wards1.csv", 3, 2, 0, 1)]
    drop(site, "wards2.csv", WHOLE)
    result = read(site)
    assert rows(site, LEDGER) == [("wards1.csv", 3, 2, 1, 0), ("wards2.csv", 4, 2, 2, 0)]
    assert result.balanced
    assert rows(site, "select count(*) from quarantined") == [(0,)]
    sound(site)
    assert redo(load_site(tmp_path), "wards", build=False).ingest_id is None


@pytest.mark.parametrize("names", [("wards1.csv", "wards2.csv"), ("wards2.csv", "wards1.csv")])
def test_both_in_one_ingest(tmp_path: Path, names: tuple[str, str]) -> None:
    site = make_site(tmp_path)
    drop(site, names[0], CUT)
    drop(site, names[1], WHOLE)
    assert read(site).total("quarantined") == 0
    assert {r[1:4:2] for r in rows(site, LEDGER)} in ({(3, 1), (4, 2)}, {(3, 3), (4, 0)})
    sound(site)


def test_cut_export_that_came_last_is_settled_by_trying_again(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards1.csv", WHOLE)
    read(site)
    drop(site, "wards2.csv", CUT)
    assert read(site).total("quarantined") == 1
    assert retry(load_site(tmp_path), build=False).total("duplicates") == 1
    assert rows(site, LEDGER) == [("wards1.csv", 4, 4, 0, 0), ("wards2.csv", 3, 0, 3, 0)]
    sound(site)


def test_cut_after_the_header_and_json_lines(tmp_path: Path) -> None:
    lines = WARDS.replace("wards*.csv", "*.jsonl").replace('"delimited"', '"json_lines"')
    site = make_site(tmp_path, {"wards": WARDS, "lines": lines})
    drop(site, "wards1.csv", HEADER + LINES[0][:9])
    one = '{"Device":"P2","Time":"2026-10-01 10:00:00","Seq":1,"Event":"START"}\n'
    drop(site, "a.jsonl", one + one.replace('"Seq":1', '"Seq":2')[:40])
    assert read(site).total("quarantined") == 2
    drop(site, "wards2.csv", WHOLE)
    drop(site, "b.jsonl", one + one.replace('"Seq":1', '"Seq":2') + one.replace('"Seq":1', '"Seq":3'))
    read(site)
    assert rows(site, "select count(*) from quarantined") == [(0,)]
    sound(site)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_cut_below_title_lines_that_change_from_export_to_export(tmp_path: Path, encoding: str) -> None:
    """The header is what stands before the first record, and not the day of the export above it."""
    titled = WARDS.replace("[time]", "[delimited]\ntitle_lines = 2\n[time]")
    site = make_site(tmp_path, {"wards": titled})
    drop(site, "wards1.csv", f"Fennmoor\nof 1 October\n{HEADER}{LINES[0][:30]}".encode(encoding))
    assert read(site).total("quarantined") == 1
    drop(site, "wards2.csv", f"Fennmoor\nof 12 October\n{WHOLE}".encode(encoding))
    read(site)
    assert rows(site, LEDGER) == [("wards1.csv", 1, 0, 1, 0), ("wards2.csv", 4, 4, 0, 0)]
    sound(site)


@pytest.mark.parametrize(
    "later",
    [
        HEADER + LINES[0] + LINES[2] + LINES[3],  # another record stands before it: that proves nothing
        CUT + "x\n",  # goes on, and cannot be read either
        pytest.param(HEADER + "".join(LINES[:2]), marks=LONG),
        pytest.param(HEADER + LINES[3], marks=LONG),
    ],
)
def test_what_proves_nothing_lets_it_wait(tmp_path: Path, later: str) -> None:
    site = make_site(tmp_path)
    drop(site, "wards1.csv", CUT)
    read(site)
    drop(site, "wards2.csv", later)
    read(site)
    assert ("wards1.csv", 3, 2, 0, 1) in rows(site, LEDGER)
    sound(site)


def test_whole_record_that_waits_for_another_reason_is_not_cut(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    bad = LINES[2].replace("2026-10-01 12:00:00", "no time")
    drop(site, "wards1.csv", HEADER + LINES[1] + bad.rstrip("\n"))
    read(site)
    drop(site, "wards2.csv", HEADER + LINES[1] + bad + LINES[3])
    read(site)
    assert rows(site, "select source_record, reasons from quarantined") == [(2, ["time_format"])]
    sound(site)


def test_a_renamed_mapping_is_said_while_records_wait(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards1.csv", CUT)
    assert read(site).notes == ()
    (tmp_path / "sources" / "wards.toml").rename(tmp_path / "sources" / "beds.toml")
    result = read(site)
    assert result.ingest_id is None
    assert result.notes == (
        "the source 'wards' has no mapping any more (was it renamed?): 1 record of it waits and cannot "
        "be tried "
        "again, and its 2 events stay as derived; put the mapping back under that name",
    )
