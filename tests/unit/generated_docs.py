"""The parts of README.md that are made from declarations: columns, and definitions of measures.

``python -m tests.unit.generated_docs --write`` puts them there; a test holds README.md to them.
"""

from __future__ import annotations

import re
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path

from dripledger.measures import MEASURES, Measure
from dripledger.schema import TABLES
from dripledger.schema.columns import COLUMNS
from dripledger.schema.types import ColumnType
from dripledger.store import COMMITS

README = Path(__file__).parents[2] / "README.md"
_TYPES = {
    ColumnType.TEXT: "text", ColumnType.INTEGER: "integer", ColumnType.REAL: "real",
    ColumnType.DECIMAL: "decimal", ColumnType.BOOLEAN: "true or false", ColumnType.INSTANT: "instant, UTC",
    ColumnType.CLOCK: "clock reading", ColumnType.TEXT_LIST: "list of text",
}  # fmt: skip
#: More values than these are listed in a section of their own.
_MOST_VALUES = 8


def columns() -> str:
    """Return one line for each column that a table has, by name."""
    used = {name for table in [*TABLES.values(), COMMITS] for name in table.names}
    own = {column.name: column for column in COMMITS.columns}
    lines = ["| column | type | means |", "| --- | --- | --- |"]
    for name in sorted(used):
        column = COLUMNS.get(name) or own[name]
        meaning = column.meaning
        if 0 < len(column.allowed) <= _MOST_VALUES:
            meaning += ": " + ", ".join(f"`{value}`" for value in column.allowed)
        lines.append(f"| `{name}` | {_TYPES[column.type]} | {meaning.replace('|', chr(92) + '|')} |")
    return "\n".join(lines)


def definitions() -> str:
    """Return the whole definition of each measure, in the order of the declarations."""
    return "\n".join(_definition(measure) for measure in MEASURES.values())


def _definition(measure: Measure) -> str:
    compared = "may be compared between areas" if measure.comparable else "not to be compared between areas"
    needs = [f"`{kind}`" for kind in measure.needs]
    if measure.needs_any:
        needs.append(f"one of {', '.join(f'`{kind}`' for kind in measure.needs_any)}")
    parts = [
        f"{measure.question}",
        f"Left out: {measure.exclusions}." if measure.exclusions else "",
        f"Unit: {measure.unit}; {measure.direction.value}.",
        f"Least data: {measure.least.value}. Interval: {measure.interval.value}.",
        f"{compared[0].upper()}{compared[1:]}: {measure.comparable_why}.",
        f"Its source must log {', '.join(needs)}." if needs else "",
        f"Source: {measure.source}.",
    ]
    text = f"- **`{measure.id}`** ({measure.title}). " + " ".join(part for part in parts if part)
    return "\n".join(
        textwrap.wrap(text, 112, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    )


PARTS: dict[str, Callable[[], str]] = {"columns": columns, "definitions": definitions}


def told(name: str) -> str:
    """Return what README.md says between the marks of a part."""
    match = re.search(
        rf"<!-- {name}: begin -->\n(.*?)\n<!-- {name}: end -->", README.read_text(encoding="utf-8"), re.DOTALL
    )
    assert match, f"README has no part {name!r}"
    return match[1]


def write() -> None:
    """Put every part into README.md."""
    for name, make in PARTS.items():
        begin, end = (f"<!-- {name}: {word} -->" for word in ("begin", "end"))
        text = README.read_text(encoding="utf-8")
        before, _, rest = text.partition(f"{begin}\n")
        after = rest.partition(f"\n{end}")[2]
        README.write_text(f"{before}{begin}\n{make()}\n{end}{after}", encoding="utf-8")


if __name__ == "__main__" and sys.argv[1:] == ["--write"]:
    write()
