"""Small logs and small libraries for tests of what stands in the drug library and what became of it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import duckdb

from dripledger.infusions import build
from dripledger.library.relations import Span, prepare
from dripledger.library.rows import LimitRow
from dripledger.site import Site, Thresholds
from tests.measure_samples import site, table
from tests.spec.drawn import connection_with
from tests.spec.drawn_attempts import log_of

#: Long enough for every drawn log.
SPAN = Span(datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC), "2026")


def limit_row(**given: Any) -> LimitRow:
    """Make a library row: heparin in ICU, limited on its flow rate, unless said otherwise."""
    plain: dict[str, Any] = {
        "file": "new.csv", "number": 2, "version": "8", "published_at": None, "care_area": "ICU",
        "entry": "heparin", "concentration_value": None, "concentration_unit": None, "dosing_unit": None,
        "quantity": "flow_rate", "hard_low": None, "soft_low": None, "soft_high": None, "hard_high": None,
        "weight_min_kg": None, "weight_max_kg": None,
    }  # fmt: skip
    unknown = set(given) - set(plain)
    assert not unknown, f"a library row has no {unknown}"
    return LimitRow(**plain | given)


def connection_of(
    events: Sequence[dict[str, Any]], *, own: Site | None = None, span: Span = SPAN, records: str = '["all"]'
) -> duckdb.DuckDBPyConnection:
    """Rebuild a log and make what the library's questions read."""
    con = connection_with(events, {}, Thresholds())
    build(con)
    ingest = [{"records_json": records}]
    for name, data in (("ingests", table("ingests", ingest)), ("libraries", table("libraries"))):
        con.register(f"{name}_given", data)
        con.execute(f"create temp table {name} as select * from {name}_given")
    prepare(con, own or site(areas=("ICU",)), None, span)
    return con


def logged(text: str, **more: Any) -> duckdb.DuckDBPyConnection:
    """Read a drawn log; every row without a care area is in ICU."""
    events = log_of(text)
    for event in events:
        event["care_area"] = event["care_area"] or "ICU"
    return connection_of(events, **more)


@lru_cache(maxsize=8)
def logged_once(text: str, records: str = '["all"]') -> duckdb.DuckDBPyConnection:
    """Read a drawn log once for all: as many proposals as may be are held against it, as a review does."""
    return logged(text, records=records)


def write_library(path: Path, text: str) -> Path:
    """Write a drawn table of library rows as CSV; the columns that are not drawn are left out."""
    lines = [line.strip().strip("|").split("|") for line in text.strip().splitlines() if line.strip()]
    path.write_text(
        "".join(",".join(cell.strip() for cell in line) + "\n" for line in lines), encoding="utf-8"
    )
    return path
