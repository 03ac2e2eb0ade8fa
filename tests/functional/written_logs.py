"""One invented log, written in every shape, encoding and compression that can be read."""

from __future__ import annotations

import csv
import gzip
import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

COLUMNS = ("Device", "Time", "Seq", "Event", "Area", "Drug", "Rate", "Weight", "Case")

#: Text as the log has it; umlauts and accents are in Windows-1252 too.
ROWS: tuple[tuple[str, ...], ...] = (
    ("P-1", "2026-10-01 08:00:00", "1", "START", "Säuglinge", "morphine", "2.5", "3.25", "4711"),
    ("P-1", "2026-10-01 08:30:00", "2", "RATE", "Säuglinge", "morphine", "4", "3.25", "4711"),
    ("P-1", "2026-10-01 08:31:00", "3", "BEAT", "Säuglinge", "", "", "", ""),
    ("P-1", "2026-10-01 10:30:00", "4", "STOP", "Säuglinge", "", "", "", "4711"),
    ("P-2", "2026-10-01 08:00:00", "1", "START", "Réa <2> & \"B\"", "héparine, 5", "0.125", "70", "4712"),
    ("P-2", "no time at all", "2", "RATE", "Réa <2> & \"B\"", "héparine, 5", "1.5", "70", "4712"),
    ("P-2", "2026-10-01 09:15:30", "3", "STOP", "Réa <2> & \"B\"", "", "", "", "4712"),
    ("P-2", "2026-10-01 09:15:30", "3", "STOP", "Réa <2> & \"B\"", "", "", "", "4712"),
    ("P-3", "2026-10-02 23:59:59", "9", "SWITCH", "", "", "12", "81.5", ""),
    ("P-3", "2026-10-03 00:10:00", "10", "new label", "", "", "", "", ""),
)  # fmt: skip
RECORDS = len(ROWS)

_MAPPING = """
pattern = ["log*", "*/log*"]
shape = "{shape}"
records = ["all"]
sequence_reliable = true
{options}
[time]
format = "%Y-%m-%d %H:%M:%S"
zone = "site"
[fields]
{fields}
[kinds]
START = "infusion_started"
RATE = {{ kind = "rate_changed", set = {{ initiator = "user" }} }}
STOP = "infusion_stopped"
SWITCH = ["library_bypassed", "infusion_started"]
BEAT = {{ ignore = "sign of life, carries no event" }}
"""
_FIELDS = {
    "pump_id": '"{Device}"',
    "device_time": '"{Time}"',
    "sequence": '"{Seq}"',
    "kind": '"{Event}"',
    "care_area": '"{Area}"',
    "entry": '"{Drug}"',
    "rate_ml_h": '{{ field = "{Rate}", unit = "mL/h" }}',
    "weight_kg": '"{Weight}"',
    "patient_key": '{{ field = "{Case}", personal = "key" }}',
}


@dataclass(frozen=True)
class Form:
    """One way to write the log.

    Parameters
    ----------
    name
        Its name in tests.
    shape, options
        What the mapping says of it.
    write
        Rows -> bytes in UTF-8 (of a workbook: the file).
    names
        Column -> raw field, where these differ.
    text
        Whether it is text, which can be encoded otherwise.
    """

    name: str
    shape: str
    options: str
    write: Callable[[tuple[tuple[str, ...], ...]], bytes]
    names: tuple[str, ...] = COLUMNS
    text: bool = True

    def mapping(self, extra: str = "") -> str:
        """Return the mapping that reads it; `extra` are further options of the shape."""
        raw = dict(zip(COLUMNS, self.names, strict=True))
        fields = "\n".join(f"{column} = {spec.format(**raw)}" for column, spec in _FIELDS.items())
        options = f"[{self.shape}]\n{self.options}\n{extra}"
        return _MAPPING.format(shape=self.shape, options=options, fields=fields)


def delimited(
    separator: str, comma: bool = False, header_again: bool = False, footer: str = "", titles: str = ""
) -> Callable[[tuple[tuple[str, ...], ...]], bytes]:
    """Return what writes a delimited file."""

    def write(rows: tuple[tuple[str, ...], ...]) -> bytes:
        out = io.StringIO()
        writer = csv.writer(out, delimiter=separator, lineterminator="\r\n")
        writer.writerow(COLUMNS)
        for place, row in enumerate(rows):
            if header_again and place % 4 == 3:
                writer.writerow(COLUMNS)
            writer.writerow([c.replace(".", ",") if comma and i in (6, 7) else c for i, c in enumerate(row)])
        return (titles + out.getvalue() + footer.replace("{records}", str(len(rows)))).encode()

    return write


def objects(rows: tuple[tuple[str, ...], ...]) -> list[dict[str, str | None]]:
    """Return the rows as objects; what is not logged is null."""
    return [{c: v or None for c, v in zip(COLUMNS, row, strict=True)} for row in rows]


def json_lines(rows: tuple[tuple[str, ...], ...]) -> bytes:
    """Write one object a line."""
    return "".join(json.dumps(o, ensure_ascii=False) + "\n" for o in objects(rows)).encode()


def json_array(rows: tuple[tuple[str, ...], ...]) -> bytes:
    """Write one array of objects."""
    return json.dumps(objects(rows), ensure_ascii=False, indent=1).encode()


def json_deep(rows: tuple[tuple[str, ...], ...]) -> bytes:
    """Write an array inside a document that holds other arrays, brackets in texts, and text after it."""
    return json.dumps(
        {"about": {"list": [[1, 2], {"a": "]}\\\""}], "list2": []}, "data": {"n": 1, "rows": objects(rows)},
         "end": [1]}
    ).encode()  # fmt: skip


def xml_children(rows: tuple[tuple[str, ...], ...]) -> bytes:
    """Write each value as a child element; comments and CDATA stand where they may."""
    events = []
    for place, row in enumerate(rows):
        values = "".join(f"<{c}>{escape(v)}</{c}>" for c, v in zip(COLUMNS, row, strict=True) if v)
        if place == 4:
            values = f"<Drug><![CDATA[{row[5]}]]></Drug><!-- </event> <event> -->" + values
        events.append(f"  <event>{values}</event>\n")
    head = '<?xml version="1.0"?>\n<!-- <event/> -->\n<log made="now > then">\n<events>\n'
    return (head + "".join(events) + "</events><events/>\n</log>\n").encode()


def xml_attributes(rows: tuple[tuple[str, ...], ...]) -> bytes:
    """Write each value as an attribute, and the pump as one of the element around, with a prefix."""
    out = ['<?xml version="1.0"?><x:log xmlns:x="urn:invented">']
    device = ""
    for row in rows:
        if row[0] != device:
            out.append(("</x:pump>" if device else "") + f"<x:pump id={quoteattr(row[0])}>")
            device = row[0]
        told = " ".join(f"{c}={quoteattr(v)}" for c, v in zip(COLUMNS[1:], row[1:], strict=True) if v)
        out.append(f"<x:event {told} />")
    return "".join([*out, "</x:pump></x:log>"]).encode()


WIDTHS = (8, 20, 6, 12, 20, 14, 8, 8, 8)


def fixed_width(rows: tuple[tuple[str, ...], ...]) -> bytes:
    """Write each value into its place."""
    lines = ["".join(v.ljust(w) for v, w in zip(row, WIDTHS, strict=True)) for row in rows]
    return "".join(f"{line}\r\n" for line in lines).encode()


def fixed_columns() -> str:
    """Return the columns of the fixed-width form as a mapping declares them."""
    parts, start = [], 1
    for name, width in zip(COLUMNS, WIDTHS, strict=True):
        parts.append(f'{{ name = "{name}", start = {start}, width = {width} }}')
        start += width
    return f"columns = [{', '.join(parts)}]"


def titled_columns(rows: tuple[tuple[str, ...], ...]) -> bytes:
    """Write a title and a blank line above what stands in its place."""
    return b"All pumps of the harbour, printed 2026-10-31\r\n\r\n" + fixed_width(rows)


def xlsx(rows: tuple[tuple[str, ...], ...], titles: tuple[str, ...] = ()) -> bytes:
    """Write a workbook: two sheets, texts inline and shared, numbers as numbers, an empty row between."""
    shared = list(dict.fromkeys(row[3] for row in rows))

    def cell(place: int, number: int, value: str) -> str:
        at = f'r="{chr(65 + place)}{number}"'
        if not value:
            return f"<c {at}/>"
        if place == 3 and value in shared:
            return f'<c {at} t="s"><v>{shared.index(value)}</v></c>'
        if place in (2, 6, 7):
            return f"<c {at}><v>{value}</v></c>" if value[0].isdigit() else _inline(at, value)
        return _inline(at, value)

    def _inline(at: str, value: str) -> str:
        return f'<c {at} t="inlineStr"><is><t>{escape(value)}</t></is></c>'

    lines = []
    for number, title in enumerate(titles, 2):
        at = f'r="A{number}"'
        lines.append(f'<row r="{number}">{_inline(at, title)}</row>')
    top = 2 + len(titles)
    head = "".join(_inline(f'r="{chr(65 + place)}{top}"', name) for place, name in enumerate(COLUMNS))
    lines.append(f'<row r="{top}">{head}</row>')
    for place, row in enumerate(rows):
        number = place + top + 1 + (place > 4)
        lines.append(f'<row r="{number}">{"".join(cell(i, number, v) for i, v in enumerate(row))}</row>')
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types"><Default Extension="xml" '
        'ContentType="application/xml"/><Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.'
        'spreadsheetml.sheet.main+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
        f'Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>'
        '<sheet name="About" sheetId="1" r:id="r1"/><sheet name="Log &amp; rest" sheetId="2" r:id="r2"/>'
        "</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships">'
        f'<Relationship Id="r1" Type="{office}/worksheet" Target="worksheets/sheet1.xml"/>'
        f'<Relationship Id="r2" Type="{office}/worksheet" Target="/xl/worksheets/sheet2.xml"/>'
        f'<Relationship Id="r3" Type="{office}/sharedStrings" Target="sharedStrings.xml"/></Relationships>',
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{main}"><sheetData/></worksheet>',
        "xl/worksheets/sheet2.xml": f'<worksheet xmlns="{main}"><sheetData><row r="1"/>{"".join(lines)}'
        "</sheetData></worksheet>",
        "xl/sharedStrings.xml": f'<sst xmlns="{main}">'
        + "".join(f"<si><t>{escape(text)}</t></si>" for text in shared) + "</sst>",
    }  # fmt: skip
    return packed(parts)


def titled_sheet(rows: tuple[tuple[str, ...], ...]) -> bytes:
    """Write a workbook with two titles above the header."""
    return xlsx(rows, ("Harbour Hill, all pumps", "printed 2026-10-31"))


def ods(rows: tuple[tuple[str, ...], ...]) -> bytes:
    """Write an open document: numbers as numbers, repeated rows, empty rows between."""

    def cell(place: int, value: str) -> str:
        if not value:
            return '<table:table-cell table:number-columns-repeated="1"/>'
        if place in (2, 6, 7):
            kind = f'office:value-type="float" office:value="{value}"'
        else:
            kind = 'office:value-type="string"'
        return f"<table:table-cell {kind}><text:p>{escape(value)}</text:p></table:table-cell>"

    lines = ["".join(cell(99, c) for c in COLUMNS)]
    lines += ["".join(cell(i, v) for i, v in enumerate(row)) for row in rows]
    body = []
    for place, line in enumerate(lines):
        repeated = place > 1 and line == lines[place - 1]
        if repeated:
            body[-1] = body[-1].replace(
                "<table:table-row>", '<table:table-row table:number-rows-repeated="2">'
            )
        else:
            body.append(f"<table:table-row>{line}</table:table-row>")
        if place == 3:
            body.append(
                '<table:table-row table:number-rows-repeated="3"><table:table-cell/></table:table-row>'
            )
    names = {n: f"urn:oasis:names:tc:opendocument:xmlns:{n}:1.0" for n in ("office", "table", "text")}
    head = "".join(f' xmlns:{name}="{uri}"' for name, uri in names.items())
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content{head} office:version="1.2">'
        f'<office:body><office:spreadsheet><table:table table:name="Log">{"".join(body)}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    return open_document(content)


def open_document(content: str) -> bytes:
    """Return an open document spreadsheet of this content."""
    return packed({
        "mimetype": "application/vnd.oasis.opendocument.spreadsheet",
        "META-INF/manifest.xml": '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:'
        'manifest:1.0"><manifest:file-entry manifest:full-path="/" manifest:media-type="application/'
        'vnd.oasis.opendocument.spreadsheet"/></manifest:manifest>',
        "content.xml": content,
    })  # fmt: skip


def packed(parts: dict[str, str | bytes]) -> bytes:
    """Return a zip with fixed dates."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name, data in parts.items():
            target.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def gzipped(data: bytes) -> bytes:
    """Return a gzip without a date."""
    return gzip.compress(data, mtime=0)


_FOOTER = "*** end of report, {records} rows ***"
_TITLES = "Harbour Hill, all pumps\r\n\r\nprinted; 2026-10-31\r\n"

FORMS: tuple[Form, ...] = (
    Form("comma", "delimited", "", delimited(",")),
    Form("semicolon", "delimited", 'separator = ";"\ndecimal = ","', delimited(";", True)),
    Form("tab", "delimited", 'separator = "\\t"', delimited("\t")),
    Form("bar", "delimited", 'separator = "|"', delimited("|")),
    Form("header_again", "delimited", "", delimited(",", header_again=True)),
    Form("footer", "delimited", f'footer = "{_FOOTER}"', delimited(",", False, True, _FOOTER + "\r\n")),
    Form("titles", "delimited", 'separator = ";"\ntitle_lines = 3', delimited(";", titles=_TITLES)),
    Form("json_lines", "json_lines", "", json_lines),
    Form("json_array", "json_array", "", json_array),
    Form("json_deep", "json_array", 'path = "data.rows"', json_deep),
    Form("xml_children", "xml", 'record = "log/events/event"', xml_children),
    Form("xml_attributes", "xml", 'record = "log/pump/event"', xml_attributes,
         ("../@id", "@Time", *COLUMNS[2:])),
    Form("fixed_width", "fixed_width", fixed_columns(), fixed_width),
    Form("titled_columns", "fixed_width", f"title_lines = 2\n{fixed_columns()}", titled_columns),
    Form("xlsx", "workbook", 'sheet = "Log & rest"', xlsx, text=False),
    Form("titled_sheet", "workbook", 'sheet = "Log & rest"\ntitle_rows = 2', titled_sheet, text=False),
    Form("ods", "workbook", "", ods, text=False),
)  # fmt: skip
BY_NAME = {form.name: form for form in FORMS}
