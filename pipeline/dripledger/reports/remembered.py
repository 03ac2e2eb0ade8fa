"""Rows of settled months, kept beside the reports; a file with which anything is wrong is as none."""

from __future__ import annotations

import contextlib
import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from dripledger.reports.hours_behind import HoursBehind
from dripledger.store.layout import owner_only, write_whole

Row = dict[str, Any]

#: The folder of `reports/` in which they lie.
FOLDER: Final = ".settled"
#: Number of the files' form.
_FORMAT: Final = "1"
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


@dataclass(frozen=True)
class MonthRows:
    """What charts rest on of one month.

    Attributes
    ----------
    by_area, facility, by_entry
        Rows of the table of measures, without interval and reason.
    behind
        The infusions behind its hours; None but in the form for sharing.
    """

    by_area: tuple[Row, ...]
    facility: tuple[Row, ...]
    by_entry: tuple[Row, ...] = ()
    behind: HoursBehind | None = None


def pack(rows: MonthRows) -> bytes:
    """Return the rows of a month as parquet."""
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
    stream = io.BytesIO()
    pq.write_table(pa.Table.from_pylist(lines, _ROWS), stream, compression="zstd")
    return stream.getvalue()


def unpack(content: bytes) -> MonthRows:
    """Return the rows that `pack` was given."""
    found: dict[str, list[Row]] = {part: [] for part in (*_PARTS, "behind")}
    for line in pq.read_table(io.BytesIO(content)).to_pylist():
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

    def recall(self, month: str, key: str) -> MonthRows | None:
        """Return the rows of a month if they were kept under this key, and whole."""
        try:
            head, content = self._path(month).read_bytes().split(b"\n", 1)
            if head != _head(key, content):
                return None
            return unpack(content)
        except (OSError, ValueError, KeyError, TypeError, pa.ArrowException):
            return None

    def keep(self, found: Mapping[str, tuple[str, bytes]]) -> None:
        """Keep the packed rows of months, each under its key, in place of what was kept of them.

        Where that cannot be written, nothing is kept: it costs the next report time.
        """
        with contextlib.suppress(OSError), owner_only():
            self._folder.mkdir(parents=True, exist_ok=True)
            for part in self._folder.glob(".part-*"):
                # of a report that was killed; one that is at work does without
                part.unlink(missing_ok=True)
            for month, (key, content) in found.items():
                write_whole(self._path(month), _head(key, content) + b"\n" + content)


def _head(key: str, content: bytes) -> bytes:
    return " ".join((_FORMAT, key, hashlib.sha256(content).hexdigest())).encode()


def without_unasked(rows: Sequence[Row]) -> tuple[Row, ...]:
    """Return rows of the table of measures without what no chart of them asks for."""
    return tuple({**row, **_UNASKED} for row in rows)
