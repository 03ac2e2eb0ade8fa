"""Lines above the records: a record that is passed over as a title or header is told of."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.event_samples import HEADER, WARDS, drop, make_site, read, rows
from tests.marks import LONG

from dripledger.events import redo
from dripledger.site import load_site
from dripledger.sources import delimited
from dripledger.sources.titles import records_among

PRINTER = """
pattern = ["*.txt"]
shape = "fixed_width"
records = ["all"]
[fixed_width]
header = false
title_lines = 2
columns = [
    { name = "pump", start = 1, width = 8 },
    { name = "when", start = 9, width = 16 },
    { name = "what", start = 25, width = 6 },
    { name = "rate", start = 31, width = 6 },
]
[time]
format = "%Y%m%d %H%M%S"
zone = "site"
[fields]
pump_id = "pump"
device_time = "when"
kind = "what"
rate_ml_h = { field = "rate", unit = "mL/h" }
[kinds]
START = "infusion_started"
STOP = "infusion_stopped"
"""
LINES = [
    f"C-40    202610{day:02} 080000 {'START' if day % 2 else 'STOP ':6}{day:6.1f}\n" for day in range(1, 9)
]
ABOVE = "Pumps of the harbour, printed 2026-10-31\n\n"


def _said(tmp_path: Path, lines: int) -> tuple[str, ...]:
    site = make_site(tmp_path, {"printer": PRINTER})
    drop(site, "log.txt", ABOVE + "".join(LINES))
    assert read(site).notes == ()
    assert rows(site, "select count(*) from events") == [(8,)]
    wrong = PRINTER.replace("title_lines = 2", f"title_lines = {lines}")
    (site.sources / "printer.toml").write_text(wrong, encoding="utf-8")
    result = redo(load_site(tmp_path), "printer", build=False)
    # the blank line among the titles is no record
    assert result.total("rows_read") == min(8, 10 - lines)
    return result.notes


def test_redo_says_which_records_were_taken_for_titles(tmp_path: Path) -> None:
    assert _said(tmp_path, 4) == (
        "log.txt: lines 3, 4 look like records and were passed over as titles or header: "
        "is fixed_width.title_lines = 4 right?",
    )


def test_redo_with_titles_left_in_the_records_says_nothing_of_them(tmp_path: Path) -> None:
    assert _said(tmp_path, 1) == ()


def test_an_ingest_says_it_of_a_header_too(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"printer": PRINTER.replace("header = false", "header = true")})
    drop(site, "log.txt", ABOVE + "".join(LINES))
    (note,) = read(site).notes
    assert note.startswith("log.txt: line 3 looks like a record and was passed over as a title or header: ")


def test_titles_and_header_of_a_delimited_file_are_no_records(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": WARDS + "[delimited]\ntitle_lines = 2\n"})
    record = "P1,2026-10-01 10:00:00,1,RATE,ICU,Heparin,5,70\n"
    drop(site, "wards1.csv", f"Harbour Hill, all pumps, printed 2026-10-31 10:00:00\n\n{HEADER}{record}")
    assert read(site).notes == ()


@pytest.mark.parametrize("record", ["P1 7", "2026-10-31", "a b c d e f g h", ""])
def test_what_could_be_alike_by_chance_is_not_said(record: str) -> None:
    assert records_among(f"{record}\n".encode(), f"{record}\n".encode()) == []


@pytest.mark.parametrize(
    ("mark", "titles"),
    [
        pytest.param(mark, titles, marks=() if (mark == "") == is_plain else LONG)
        for titles, is_plain in (
            ("Harbour Hill\n\n", True),
            ('all "pumps\n" of, the harbour\n', True),
            ("\n\n", False),
            ("a\r\nb\r\n", False),
        )
        for mark in ("", "\ufeff")
    ],
)
def test_the_engine_reads_a_clean_file_below_its_titles(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, titles: str, mark: str
) -> None:
    slow: list[object] = []
    true_framed = delimited._framed

    def framed(*args: object) -> None:
        slow.append(args)
        true_framed(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(delimited, "_framed", framed)
    site = make_site(tmp_path, {"wards": WARDS + "[delimited]\ntitle_lines = 2\n"})
    end = "\r\n" if "\r" in titles else "\n"
    records = [f"P1,2026-10-01 10:00:0{n},{n},RATE,ICU,Heparin,5,70{end}" for n in range(5)]
    text = f"{mark}{titles}{HEADER.replace(chr(10), end)}{''.join(records)}"
    drop(site, "wards1.csv", text.encode())
    assert read(site).total("quarantined") == 0
    assert rows(site, "select sequence from events order by all") == [(n,) for n in range(5)]
    # where a quote stands among the titles the engine may count the lines otherwise
    assert len(slow) <= ('"' in titles)
