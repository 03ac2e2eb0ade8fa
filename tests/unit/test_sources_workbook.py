"""Workbooks: what cells read as, and rows of which reader and count on the bytes tell differently."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from tests.event_samples import drop, make_site, read, rows
from tests.functional.written_logs import BY_NAME, ROWS, open_document, packed
from tests.marks import LONG

from dripledger.errors import InputError
from dripledger.site import Limits, load_site
from dripledger.sources.workbook_scan import SheetSplitter, as_text, rows_on_bytes

DATED = """
pattern = ["*"]
shape = "workbook"
canonical = true
records = ["all"]
[time]
zone = "UTC"
"""
NAMES = ("pump_id", "device_time", "kind", "rate_ml_h")
#: 2026-10-01 in the sheet's calendar, whose day 1 is 1900-01-01 and which has a 29 February 1900.
DAY = 46296
SHARES_OF_A_DAY = (8 / 24, 86_399 / 86_400)
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"


@pytest.mark.parametrize(
    ("value", "text"),
    [(7.0, "7"), (0.1, "0,1"), (True, "true"), ("x", "x"), (None, ""), (1e300, "1e+300"), (12, "12")],
)
def test_cells(value: object, text: str) -> None:
    assert as_text(value, ",") == text


def test_cells_with_dates() -> None:
    almost = dt.datetime(2026, 10, 1, 7, 59, 59, 999_900)
    assert as_text(almost) == "2026-10-01T08:00:00"
    assert as_text(dt.datetime(2026, 10, 1, 8, 0, 0, 250_000)) == "2026-10-01T08:00:00.250"
    assert as_text(dt.date(2026, 10, 1)) == "2026-10-01"


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_date_cells_read_as_iso(tmp_path: Path, kind: str) -> None:
    """Cells that hold dates, not text, come out in ISO's form, whatever the workbook shows."""
    site = make_site(tmp_path, {"book": DATED})
    drop(site, f"a.{kind}", _dated_xlsx() if kind == "xlsx" else _dated_ods())
    result = read(site)
    assert not result.failures
    assert (result.total("rows_read"), result.total("events")) == (2, 2)
    told = rows(site, "select cast(device_time as varchar), rate_ml_h from events order by 1")
    assert told == [("2026-10-01 08:00:00", 2.5), ("2026-10-01 23:59:59", 10.0)]


def _text(column: int, row: int, value: str) -> str:
    return f'<c r="{"ABCD"[column]}{row}" t="inlineStr"><is><t>{value}</t></is></c>'


def _dated_xlsx() -> bytes:
    body = [f'<row r="1">{"".join(_text(i, 1, name) for i, name in enumerate(NAMES))}</row>']
    for number, (share, rate) in enumerate(zip(SHARES_OF_A_DAY, ("2.5", "10"), strict=True), 2):
        when = f'<c r="B{number}" s="1"><v>{DAY + share!r}</v></c>'
        pump, kind = _text(0, number, "P1"), _text(2, number, "infusion_started")
        body.append(f'<row r="{number}">{pump}{when}{kind}<c r="D{number}"><v>{rate}</v></c></row>')
    return packed({
        "_rels/.rels": _relations("officeDocument", "xl/workbook.xml"),
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets>'
        '<sheet name="S" sheetId="1" r:id="r0"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": _relations(
            "worksheet", "worksheets/sheet1.xml", "styles", "styles.xml"
        ),
        "xl/styles.xml": f'<styleSheet xmlns="{MAIN}"><cellXfs><xf numFmtId="0"/><xf numFmtId="22"/>'
        "</cellXfs></styleSheet>",
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{MAIN}"><sheetData>{"".join(body)}</sheetData>'
        "</worksheet>",
    })  # fmt: skip


def _relations(*pairs: str) -> str:
    told = "".join(
        f'<Relationship Id="r{at // 2}" Type="{OFFICE}/{pairs[at]}" Target="{pairs[at + 1]}"/>'
        for at in range(0, len(pairs), 2)
    )
    return f'<Relationships xmlns="{PACKAGE}">{told}</Relationships>'


def _dated_ods() -> bytes:
    spaces = {n: f"urn:oasis:names:tc:opendocument:xmlns:{n}:1.0" for n in ("office", "table", "text")}
    cell = '<table:table-cell office:value-type="{}" {}><text:p>{}</text:p></table:table-cell>'
    lines = ["".join(cell.format("string", "", name) for name in NAMES)]
    for time, rate in (("08:00:00", "2.5"), ("23:59:59", "10")):
        lines.append(
            cell.format("string", "", "P1")
            + cell.format("date", f'office:date-value="2026-10-01T{time}"', "1 October")
            + cell.format("string", "", "infusion_started")
            + cell.format("float", f'office:value="{rate}"', rate)
        )
    head = "".join(f' xmlns:{name}="{uri}"' for name, uri in spaces.items())
    body = "".join(f"<table:table-row>{line}</table:table-row>" for line in lines)
    return open_document(
        f"<office:document-content{head}><office:body><office:spreadsheet>"
        f'<table:table table:name="S">{body}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )


@pytest.mark.parametrize("name", ["xlsx", "ods"])
def test_rows_on_the_bytes_are_those_of_the_reader(name: str) -> None:
    block = BY_NAME[name].write(ROWS)
    sheet = "Log & rest" if name == "xlsx" else None
    splitter = SheetSplitter(sheet, Limits())
    count, consumed = splitter.consume(block, True)
    records = list(splitter.split(block))
    assert (count, consumed, len(records)) == (len(ROWS), len(block), len(ROWS))
    told = [[value.decode() for value in record.fields or ()] for record in records]
    assert told == [list(row) for row in ROWS]


def test_a_row_that_only_the_reader_sees_is_no_silent_loss(monkeypatch: pytest.MonkeyPatch) -> None:
    block = BY_NAME["xlsx"].write(ROWS)
    sheet, found = rows_on_bytes(block, "Log & rest", Limits())
    monkeypatch.setattr(
        "dripledger.sources.workbook_scan.rows_on_bytes", lambda *_: (sheet, [*found[:4], *found[5:]])
    )
    with pytest.raises(InputError, match="row 6 that was not counted on its bytes"):
        list(SheetSplitter("Log & rest", Limits()).split(block))


SHEET = 'sheet = "Log & rest"'
KEPT = "select * exclude (ingest_id) from events where source_file_sha256 = '{}' order by event_id"


def _without_people(form: str) -> str:
    return "\n".join(line for line in BY_NAME[form].mapping().split("\n") if "patient_key" not in line)


@pytest.mark.parametrize(
    ("mapping", "failures"),
    [
        (_without_people("titled_sheet"), 0),
        # the other sheet holds nothing: what was read stays, and it is said
        pytest.param(_without_people("xlsx").replace(SHEET, 'sheet = "About"'), 1, marks=LONG),
    ],
)
def test_a_kept_workbook_is_read_as_it_was_whatever_the_mapping_says_of_the_next(
    tmp_path: Path, mapping: str, failures: int
) -> None:
    site = make_site(tmp_path, {"log": _without_people("xlsx")})
    drop(site, "log1.xlsx", BY_NAME["xlsx"].write(ROWS))
    (file,) = read(site).files
    before = rows(site, KEPT.format(file.sha256))
    balance = "select * exclude (mapping_sha256, ingested_at) from ingests where path = 'log1.xlsx'"
    counts = rows(site, balance)
    assert len(before) == 8
    (tmp_path / "sources" / "log.toml").write_text(mapping, encoding="utf-8")
    if not failures:
        next_row = ("P-7", "2026-10-05 08:00:00", "1", "START", "ICU", "morphine", "2", "3", "47")
        drop(site, "log2.xlsx", BY_NAME["titled_sheet"].write((next_row,)))
    result = read(load_site(tmp_path))
    assert len(result.failures) == failures, [str(f) for f in result.failures]
    assert rows(site, KEPT.format(file.sha256)) == before
    assert rows(site, balance) == counts
    assert rows(site, "select count(*) from events") == [(8 if failures else 9,)]
