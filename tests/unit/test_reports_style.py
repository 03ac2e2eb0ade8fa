"""The style sheet of a report: no rule for what no page has."""

from __future__ import annotations

import re
from pathlib import Path

import dripledger.reports

ROOM = Path(dripledger.reports.__file__).parent


def test_every_class_of_the_style_sheet_is_given_somewhere() -> None:
    sheets = [path.read_text(encoding="utf-8") for path in sorted((ROOM / "templates").glob("*.css.j2"))]
    ruled = {
        name
        for sheet in sheets
        for selectors in re.findall(r"([^{}]+)\{", re.sub(r"/\*.*?\*/", "", sheet, flags=re.S))
        for name in re.findall(r"\.([a-z][a-z0-9-]*)", selectors)
    }
    makers = [*(ROOM / "templates").glob("*.html.j2"), *(ROOM / "templates").glob("*.js"), *ROOM.glob("*.py")]
    made = " ".join(path.read_text(encoding="utf-8") for path in makers)
    assert len(ruled) > 20
    assert {name for name in ruled if not re.search(rf"[\"' ]{name}[\"' {{]", made)} == set()
