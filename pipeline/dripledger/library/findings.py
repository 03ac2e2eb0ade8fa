"""What a check of a library finds: one row a finding, the gravest first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Final

import pyarrow as pa

from dripledger.library.rows import LimitRow

#: Gravest first. An error makes the check fail; a warning wants a person's eyes; a note is for completeness.
SEVERITIES: Final = ("error", "warning", "note")


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding with the row it is about (the header is row 1; None: it is about no single row)."""

    severity: str
    check: str
    file: str
    row: int | None
    care_area: str
    entry: str
    finding: str


_SCHEMA: Final = pa.schema(
    [
        ("severity", pa.string()),
        ("check", pa.string()),
        ("file", pa.string()),
        ("row", pa.int64()),
        ("care_area", pa.string()),
        ("entry", pa.string()),
        ("finding", pa.string()),
    ]
)


def at(row: LimitRow, severity: str, check: str, text: str) -> Finding:
    """Make a finding about one row."""
    return Finding(severity, check, row.file, row.number, row.care_area, row.entry, text)


def in_order(findings: Iterable[Finding]) -> list[Finding]:
    """Sort by severity, file, row, check and text; the same finding stands once."""
    return sorted(
        set(findings),
        key=lambda f: (SEVERITIES.index(f.severity), f.file, f.row or 0, f.check, f.entry, f.finding),
    )


def as_table(findings: Sequence[Finding]) -> pa.Table:
    """Return findings as an Arrow table."""
    return pa.Table.from_pylist([asdict(finding) for finding in findings], schema=_SCHEMA)
