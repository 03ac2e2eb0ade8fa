"""The PDF and the workbook: what they hold, that no text of a log acts in them, same bytes."""

from __future__ import annotations

import io
import re
import subprocess
import zipfile
from datetime import datetime
from pathlib import Path
from shutil import which

import pytest
from python_calamine import CalamineWorkbook
from tests.report_samples import FORMULA, LONG, SCRIPT, drawn, own_site, rendered

from dripledger.reports.paper import typeset

pytest.importorskip("typst", reason="the extra [report] is not installed")
pytest.importorskip("xlsxwriter", reason="the extra [report] is not installed")


@pytest.fixture(scope="module")
def files(october: dict[str, bytes]) -> dict[str, bytes]:
    return october


def test_the_pdf_is_tagged_has_bookmarks_a_language_and_no_date(files: dict[str, bytes]) -> None:
    pdf = files["report.pdf"]
    assert pdf.startswith(b"%PDF-")
    for mark in (b"/MarkInfo", b"/StructTreeRoot", b"/Outlines", b"/Lang", b"/Marked true"):
        assert mark in pdf, mark
    assert b"2026" not in re.findall(rb"/CreationDate ?\(([^)]*)", pdf + b"/CreationDate ()")[0]


def test_only_pinned_fonts_are_in_the_pdf(files: dict[str, bytes]) -> None:
    fonts = {name.split(b"+")[-1] for name in re.findall(rb"/BaseFont ?/([^\s/]+)", files["report.pdf"])}
    assert fonts
    assert all(name.startswith(b"DejaVuSans") for name in fonts), fonts


@pytest.mark.skipif(which("pdftotext") is None, reason="pdftotext (poppler) is not installed")
@pytest.mark.parametrize(
    ("paper", "size"),
    [("a4", "595 x 842"), pytest.param("letter", "612 x 792", marks=[pytest.mark.slow, pytest.mark.merge])],
)
def test_each_page_says_what_it_is_made_from_and_where_it_stands(
    tmp_path: Path, paper: str, size: str
) -> None:
    found = rendered(own_site(("icu", "ward"), paper=paper), **drawn(areas=("icu", "ward")))
    (tmp_path / "r.pdf").write_bytes(found["report.pdf"])

    def run(*words: str) -> str:
        return subprocess.run([*words], cwd=tmp_path, capture_output=True, text=True, check=True).stdout

    info = run("pdfinfo", "r.pdf")
    pages = int(re.findall(r"Pages:\s+(\d+)", info)[0])
    assert 4 <= pages <= 6
    assert "Tagged:          yes" in info
    shown = re.findall(r"Page size:\s+([\d.]+) x ([\d.]+)", info)[0]
    assert f"{float(shown[0]):.0f} x {float(shown[1]):.0f}" == size
    texts = run("pdftotext", "-layout", "r.pdf", "-").split("\f")[:pages]
    for number, text in enumerate(texts, start=1):
        flat = " ".join(text.split())
        assert "Store version 3 of 2026-11-02" in flat
        assert f"page {number} of {pages}" in flat
        assert "not for decisions at the bedside" in flat
    told = " ".join(" ".join(texts).split())
    assert SCRIPT in told.replace("\u200b", "").replace("- ", "-") or "<script>" in told


@pytest.mark.skipif(which("pdftotext") is None, reason="pdftotext (poppler) is not installed")
def test_no_line_of_paper_ends_inside_an_option(tmp_path: Path) -> None:
    """Each text is a little longer than the one before: in some the option meets the end of a line."""
    texts = [f"{'x' * n} again with --retry or --no-build." for n in range(1, 130)]
    words = ("title", "facility", "month", "standing", "state", "stamp", "caution", "lead")
    page = {
        **dict.fromkeys(words, "x"), "share": False, "paper": "a4",
        "blocks": [{"kind": "pairs", "items": [["x", text.replace("xxxx", "xxx ")] for text in texts]}],
    }  # fmt: skip
    (tmp_path / "r.pdf").write_bytes(typeset("report.typ", page, {}))
    shown = subprocess.run(
        ["pdftotext", "-layout", "r.pdf", "-"], cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    assert shown.count("--retry") == len(texts)
    assert shown.count("--no-build") == len(texts)


def sheets(content: bytes) -> CalamineWorkbook:
    return CalamineWorkbook.from_filelike(io.BytesIO(content))


def test_the_workbook_explains_itself_and_holds_a_sheet_a_table(files: dict[str, bytes]) -> None:
    book = sheets(files["report.xlsx"])
    assert book.sheet_names == [
        "Read me",
        "Measures",
        "Cases",
        "Attempts",
        "Starts",
        "Running hours",
        "Programmings",
        "Alarms",
        "Powered-on hours",
        "Time in alarm",
        "Stops",
        "Rate changes",
        "Pumps",
    ]
    told = " ".join(str(cell) for row in book.get_sheet_by_name("Read me").to_python() for cell in row)
    for words in ("Not for decisions at the bedside", "store version 3", "local to Europe/Lisbon", "counted"):
        assert words in told, words


def test_numbers_are_numbers_and_times_are_local_times(files: dict[str, bytes]) -> None:
    head, *rows = sheets(files["report.xlsx"]).get_sheet_by_name("Attempts").to_python()
    row = dict(zip(head, rows[0], strict=True))
    # 03:12 UTC is 04:12 in Lisbon in October
    assert row["local_time"] == datetime(2026, 10, 5, 4, 12, 45)
    assert (row["limit_value"], row["entered_final"]) == (5.0, 12.0)
    assert "happened_on" not in row


def test_no_cell_is_a_formula_or_a_link(files: dict[str, bytes]) -> None:
    with zipfile.ZipFile(io.BytesIO(files["report.xlsx"])) as archive:
        for name in archive.namelist():
            if name.startswith("xl/worksheets/"):
                text = archive.read(name).decode()
                assert "<f>" not in text, name
                assert "<hyperlink" not in text, name
                assert 'state="frozen"' in text or name.endswith("sheet1.xml"), name
    head, *rows = sheets(files["report.xlsx"]).get_sheet_by_name("Attempts").to_python()
    entries = {row[head.index("entry")] for row in rows}
    assert FORMULA in entries
    assert SCRIPT in entries


def test_the_sheets_have_the_numbers_of_the_tables(files: dict[str, bytes]) -> None:
    head, *rows = sheets(files["report.xlsx"]).get_sheet_by_name("Measures").to_python()
    lines = files["measures.csv"].decode().splitlines()
    assert head == lines[0].split(",")
    assert len(rows) == len(lines) - 1


# that all bytes are the same again: test_reports_pages
def test_the_workbook_holds_no_date(files: dict[str, bytes]) -> None:
    with zipfile.ZipFile(io.BytesIO(files["report.xlsx"])) as archive:
        assert b"2000-01-01T00:00:00Z" in archive.read("docProps/core.xml")


def test_a_figure_keeps_its_text_and_what_a_log_wrote_in_it_is_text(files: dict[str, bytes]) -> None:
    index = files["index.html"].decode()
    assert "<text" in index
    assert LONG in files["areas.html"].decode()
    alarms = files["alarms.html"].decode()
    assert (
        'role="img" aria-label="Delivery alarms of each' in alarms
        or "too few" in alarms
        or "Each pump" in alarms
    )
