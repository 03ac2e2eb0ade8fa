"""The timeline and its parts as CSV and JSON."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any, Final
from zoneinfo import ZoneInfo

import pyarrow as pa

from dripledger.incidents.model import Trace
from dripledger.incidents.moments import local_text, utc_text
from dripledger.incidents.timeline import Line

_REAL: Final = frozenset(
    {
        "rate_before_ml_h", "rate_ml_h", "dose_before", "dose", "rate_from_dose_ml_h", "dose_from_rate",
        "weight_kg",
        "volume_ml", "amount",
    }
)  # fmt: skip
_WHOLE: Final = frozenset({"infusion", "source_record", "sequence"})


def timeline_table(trace: Trace, zone: ZoneInfo) -> pa.Table:
    """Return the timeline, one row a line.

    Returns
    -------
    pyarrow.Table
        ``at_local`` (with offset) and ``at_utc`` first, then the fields of `timeline.Line`; quantities
        carry their
        unit in the name.
    """
    names = [f.name for f in fields(Line) if f.name not in ("at", "until_at")]
    schema = pa.schema(
        [("at_local", pa.string()), ("at_utc", pa.string()), ("until_utc", pa.string())]
        + [(n, pa.float64() if n in _REAL else pa.int64() if n in _WHOLE else pa.string()) for n in names]
    )
    rows = [
        {
            "at_local": local_text(line.at, zone),
            "at_utc": utc_text(line.at),
            "until_utc": None if line.until_at is None else utc_text(line.until_at),
            **{n: getattr(line, n) for n in names},
        }
        for line in trace.lines
    ]
    return pa.Table.from_pylist(rows, schema=schema)


def findings_table(trace: Trace, zone: ZoneInfo) -> pa.Table:
    """Return the findings, one row each."""
    rows = [
        {
            "finding": f.name, "rule": f.rule, "word": f.word, "at_local": local_text(f.at, zone),
            "at_utc": utc_text(f.at),
            "channel": f.channel, "entry": f.entry, "care_area": f.care_area, "what": f.what,
            "alternative": f.alternative, "evidence": " ".join(f.evidence),
        }
        for f in trace.findings
    ]  # fmt: skip
    names = ("finding", "rule", "word", "at_local", "at_utc", "channel", "entry", "care_area", "what",
    "alternative",
             "evidence")  # fmt: skip
    return pa.Table.from_pylist(rows, schema=pa.schema([(name, pa.string()) for name in names]))


def as_json(document: Any) -> bytes:
    """Return a document as JSON, UTF-8, keys in the order given."""
    return (json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode(
        "utf-8", "replace"
    )
