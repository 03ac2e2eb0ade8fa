"""Rows of settled months, kept beside the reports; a file with which anything is wrong is as none."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from dripledger.measures import MonthFacts
from dripledger.measures.month_facts import from_table
from dripledger.reports.hours_behind import HoursBehind
from dripledger.store import kept

Row = dict[str, Any]

#: The folder of `reports/` in which they lie.
FOLDER: Final = ".settled"
#: Number of the files' form.
_FORMAT: Final = "2"
_AMOUNT: Final = pa.decimal128(28, 9)
_ROWS: Final = pa.schema(
    [
        ("part", pa.string()),
        *((name, pa.string()) for name in ("measure", "month", "care_area", "entry")),
        ("numerator", _AMOUNT),
        ("denominator", _AMOUNT),
        ("value", pa.float64()),
        *((name, pa.string()) for name in ("unit", "status")),
        # what an infusion has in each care area, and how many have it
        ("care_areas", pa.list_(pa.string())),
        ("alike", pa.list_(pa.list_(pa.int64()))),
        ("infusions", pa.int64()),
    ]
)
#: What no chart of a month that is not shown asks for.
_UNASKED: Final = {"low95": None, "high95": None, "reason": ""}
_PARTS: Final = ("by_area", "facility", "by_entry")
_CASES: Final = "cases "


@dataclass(frozen=True)
class MonthRows:
    """What charts rest on of one month.

    Attributes
    ----------
    by_area, facility, by_entry
        Rows of the table of measures, without interval and reason.
    behind
        The infusions behind its hours; None but in the form for sharing.
    facts
        What those rows were made of, to make them beside other months; None: nobody has shown the month yet.
    cases
        The relations of cases by name; of a month with `facts`.
    """

    by_area: tuple[Row, ...]
    facility: tuple[Row, ...]
    by_entry: tuple[Row, ...] = ()
    behind: HoursBehind | None = None
    facts: MonthFacts | None = None
    cases: Mapping[str, pa.Table] = field(default_factory=dict)


def pack(rows: MonthRows) -> bytes:
    """Return the rows of a month as an archive of parquet files."""
    tables = {"rows": _as_table(rows), **{f"{_CASES}{name}": table for name, table in rows.cases.items()}}
    if rows.facts is not None:
        tables["facts"] = rows.facts.as_table()
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, table in tables.items():
            archive.writestr(name, kept.pack(table))
    return stream.getvalue()


def unpack(content: bytes, *, shown: bool = False) -> MonthRows:
    """Return what `pack` was given; facts and cases only of a month that is shown."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        names = archive.namelist() if shown else ["rows"]
        tables = {name: kept.unpack(archive.read(name)) for name in names}
    return replace(
        _from_table(tables["rows"]),
        facts=from_table(tables["facts"]) if "facts" in tables else None,
        cases={name.removeprefix(_CASES): told for name, told in tables.items() if name.startswith(_CASES)},
    )


def _as_table(rows: MonthRows) -> pa.Table:
    lines = [{"part": part, **row} for part in _PARTS for row in getattr(rows, part)]
    if rows.behind is not None:
        # the first one says that there are some, even if none follows
        lines.append({"part": "behind"})
        lines += [
            {
                "part": "behind",
                "care_areas": list(have),
                "alike": [list(n) for n in have.values()],
                "infusions": n,
            }
            for have, n in rows.behind.told
        ]
    return pa.Table.from_pylist(lines, _ROWS)


def _from_table(table: pa.Table) -> MonthRows:
    found: dict[str, list[Row]] = {part: [] for part in (*_PARTS, "behind")}
    for line in table.to_pylist():
        found[line["part"]].append(line)
    areas, facility, entries = (tuple(_row(line, part) for line in found[part]) for part in _PARTS)
    behind = None
    if found["behind"]:
        lines = [
            (dict(zip(line["care_areas"], line["alike"], strict=True)), line["infusions"])
            for line in found["behind"][1:]
        ]
        behind = HoursBehind(lines)
    return MonthRows(areas, facility, entries, behind)


def _row(line: Row, part: str) -> Row:
    names = ("measure", "month", "care_area", "numerator", "denominator", "value", "unit", "status")
    row = {name: line[name] for name in names} | _UNASKED
    return {**row, "entry": line["entry"]} if part == "by_entry" else row


class Memory:
    """The folder of what is remembered, for one form of the report.

    Parameters
    ----------
    reports
        The site's folder of reports.
    form
        ``internal`` or ``shared``.
    """

    def __init__(self, reports: Path, form: str) -> None:
        self._folder = reports / FOLDER
        self._form = form

    def _path(self, month: str) -> Path:
        return self._folder / f"{month}-{self._form}"

    def recall(self, month: str, key: str, *, shown: bool = False) -> MonthRows | None:
        """Return the rows of a month if they were kept under this key, and whole.

        Parameters
        ----------
        month
            The month.
        key
            Its key.
        shown
            Whether pages show it: with facts and cases, if it has any.
        """
        content = kept.read_kept(self._path(month), f"{_FORMAT} {key}")
        if content is None:
            return None
        try:
            return unpack(content, shown=shown)
        except (ValueError, KeyError, TypeError, pa.ArrowException, zipfile.BadZipFile):
            return None

    def keep(self, found: Mapping[str, tuple[str, bytes]]) -> None:
        """Keep the packed rows of months, each under its key, in place of what was kept of them."""
        told = {month: (f"{_FORMAT} {key}", content) for month, (key, content) in found.items()}
        kept.write_kept(self._folder, {self._path(month).name: one for month, one in told.items()})


def without_unasked(rows: Sequence[Row]) -> tuple[Row, ...]:
    """Return rows of the table of measures without what no chart of them asks for."""
    return tuple({**row, **_UNASKED} for row in rows)
