"""Values that a log should never hold, and the invented log written with them in every shape."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from tests.event_samples import drop, make_site
from tests.functional.hl7.messages import event, text
from tests.functional.written_logs import BY_NAME, COLUMNS, FORMS, WIDTHS, Form, fixed_columns

from dripledger.site import Site

NUMBERS: Final = (
    "1e308", "-1e308", "1e309", "NaN", "nan", "Infinity", "-inf", "-5", "-0", "0x10", "1_000", "1e-320",
    "1/0",     "9" * 400, "0." + "0" * 300 + "1", "--5", "5,5", "٣", "½", "1e", "+", "5 mL/h",
)  # fmt: skip
TIMES: Final = (
    "0000-01-01 00:00:00", "0001-01-01 00:00:00", "9999-12-31 23:59:59", "99999-01-01 00:00:00",
    "-001-01-01 00:00:00", "2026-02-30 00:00:00", "2026-13-01 00:00:00", "2026-10-01 25:00:00",
    "2026-10-25 01:30:00", "2026-03-29 01:30:00", "2026-10-01 23:59:60", "infinity", "epoch", "now", "",
    "2026-10-01 08:00:00.999999999", "1970-01-01 00:00:00", "2262-04-11 23:47:17",
)  # fmt: skip
COUNTS: Final = (
    "-1",
    "0",
    "9223372036854775807",
    "9223372036854775808",
    "18446744073709551616",
    "1.5",
    "1e3",
)
TEXTS: Final = (
    "=cmd|'/c calc'!A1", "+1+1", "-1+1", "@SUM(A1)", "'; drop table events; --", "1; select 1", "$1", "%s%n",
    "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "&lt;b&gt;", "]]>", "<!--", "{{7*7}}",
    "${x}",
    "../../etc/passwd", "C:\\x", "a/b", "\u202eabc", "\ufeffx", "\u200b", "é" * 50, "e\u0301", "𝕏", "\ud7ff",
    "x" * 5000, '"', '""', "'", "\\", "null", "NULL", "true", "|^~\\&",
)  # fmt: skip
#: What a terminal would obey; XML cannot hold these at all.
CODES: Final = (
    "\x1b[2J\x1b[31mred",
    "\x1b]0;title\x07",
    "a\rb",
    "\x9b31m",
    "\x7f",
    "\x08" * 3,
    "a\tb",
)

Row = tuple[str, ...]
#: Shapes whose files hold any character as a value.
CARRYING: Final = frozenset({"delimited", "json_lines", "json_array"})


def rows_for(form: Form, counts: Sequence[str] = COUNTS) -> list[Row]:
    """Return one row for each hostile value in each place where it can stand, all other values sound."""
    places = {"Time": TIMES, "Seq": counts, "Event": TEXTS, "Area": TEXTS, "Drug": TEXTS, "Case": TEXTS,
              "Device": TEXTS, "Rate": NUMBERS, "Weight": NUMBERS}  # fmt: skip
    codes = CODES if form.shape in CARRYING else ()
    made = []
    for name, values in places.items():
        for value in (*values, *codes):
            row = [
                "P-1",
                "2026-10-01 08:00:00",
                str(len(made) + 1),
                "START",
                "ICU",
                "morphine",
                "5",
                "70",
                "4711",
            ]
            row[COLUMNS.index(name)] = value
            if form.shape == "fixed_width":
                row = [v[:width].replace("\n", " ") for v, width in zip(row, WIDTHS, strict=True)]
            if form.shape == "workbook":
                # a number's cell holds a number
                row = [
                    v if n not in ("Seq", "Rate", "Weight") or (v.isascii() and v.isdigit()) else "7"
                    for n, v in zip(COLUMNS, row, strict=True)
                ]
            made.append(tuple(row))
    return made


SHAPES: Final = tuple(f for f in FORMS if f.name not in ("footer", "header_again"))


def mapping_of(form: Form) -> str:
    """Return the mapping that reads a form's file here."""
    return form.mapping().replace('["log*", "*/log*"]', f'["{form.name}*"]')


def make(root: Path, forms: Sequence[Form] = SHAPES, extra: str = "", key: bool = True) -> Site:
    """Make a site that reads every form, and device messages."""
    hl7 = Path(__file__).parents[1] / "functional" / "hl7" / "sources" / "device_messages.toml"
    sources = {form.name: mapping_of(form) for form in forms}
    sources["device_messages"] = hl7.read_text(encoding="utf-8")
    return make_site(root, sources, ("[people]\ndemo_seed = 7\n" if key else "") + extra)


def messages() -> tuple[str, int]:
    """Return device messages with a hostile value each, and their number."""
    made = []
    for place, value in enumerate(NUMBERS):
        clean = value.replace("|", "")
        at = f"2026100108{place % 60:02d}00-0500"
        made += [event("start", at, rate=clean, control=f"n{place}"), event("stop", at, weight=clean)]
    for place, value in enumerate((*TEXTS, *CODES)):
        clean = value.replace("\r", "").replace("\n", "")
        made.append(event("start", f"2026100109{place % 60:02d}00-0500", drug=clean, control=f"t{place}"))
    for value in ("00000101000000", "99991231235959-0500", "20261301", "", "now", "20260230000000"):
        made.append(event("start", value, sent="20261001080000-0500"))
    return text(*made), len(made)


__all__ = [
    "BY_NAME",
    "CARRYING",
    "SHAPES",
    "drop",
    "fixed_columns",
    "make",
    "mapping_of",
    "messages",
    "rows_for",
]
