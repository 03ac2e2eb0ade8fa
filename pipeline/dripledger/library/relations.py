"""What the library's questions read beside the store's tables: the span, who can warn, flags, reviews."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import duckdb
import pyarrow as pa

from dripledger.engine import build_relations
from dripledger.infusions import make_source_records
from dripledger.library.rows import LIMITS, LimitRow
from dripledger.schema.units import UNITS, register_units
from dripledger.site import Site
from dripledger.store import Snapshot
from dripledger.store.counting import counting_events

#: Store tables that the library's questions read.
TABLES: Final = ("events", "segments", "infusions", "programmings", "attempts", "ingests", "libraries")
#: Kinds of which a source must log one to tell warnings at all.
_WARNS: Final = ("all", "limit_alerted", "limit_overridden")
_INSTANT: Final = pa.timestamp("us", tz="UTC")


@dataclass(frozen=True, slots=True)
class Span:
    """The time that is looked at: from `begins_at` to before `ends_at`, with months for people."""

    begins_at: datetime
    ends_at: datetime
    text: str


def put(con: duckdb.DuckDBPyConnection, name: str, data: pa.Table) -> None:
    """Make a temporary table of an Arrow table."""
    con.register(f"{name}_given", data)
    con.execute(f'create or replace temp table "{name}" as select * from "{name}_given"')
    con.unregister(f"{name}_given")


def prepare(con: duckdb.DuckDBPyConnection, site: Site, snapshot: Snapshot | None, span: Span) -> None:
    """Make what every question of the library reads.

    Parameters
    ----------
    con
        Connection in which the store's tables stand (`TABLES`), or into which `snapshot` attaches them.
    site
        The site: its zone, thresholds, rules of precedence, lists.
    snapshot
        The store version; None: the tables stand in `con` already.
    span
        The time to look at.
    """
    if snapshot is not None:
        snapshot.attach(con, TABLES)
    register_units(con)
    months = pa.table(
        {
            "begins_at": pa.array([span.begins_at], _INSTANT),
            "ends_at": pa.array([span.ends_at], _INSTANT),
            "zone": pa.array([site.settings.time_zone], pa.string()),
            "stale_us": pa.array([round(site.settings.thresholds.stale_library_days * 86400e6)], pa.int64()),
        }
    )
    put(con, "library_span", months)
    rules = site.settings.precedence
    con.execute(f"create or replace temp view counting_events as {counting_events(rules, 'events')}")
    make_source_records(con)
    names = ", ".join(f"'{kind}'" for kind in _WARNS)
    con.execute(
        "create or replace temp table warning_sources as select distinct source_name from source_records"
        f" where kind in ({names})"
    )
    # where several sources report a pump, what one of them cannot log another may
    claims = (
        "(select e.*, r.kind from (select distinct facility, pump_id, source_name from events) as e "
        f"inner join source_records as r on e.source_name = r.source_name where r.kind in ({names}))"
    )
    con.execute(
        "create or replace temp table warning_pumps as select distinct facility, pump_id from "
        f"({counting_events(rules, claims)})"
    )
    flags = {row.entry: row.high_alert for row in site.entries or ()}
    put(
        con,
        "entry_flags",
        pa.table(
            {
                "entry": pa.array(list(flags), pa.string()),
                "high_alert": pa.array(list(flags.values()), pa.bool_()),
            }
        ),
    )
    put(
        con,
        "case_reviews",
        pa.table(
            {
                "case_id": pa.array([row.case for row in site.reviews], pa.string()),
                "disposition": pa.array([row.disposition for row in site.reviews], pa.string()),
                "reviewed_on": pa.array([row.date for row in site.reviews], pa.date32()),
            }
        ),
    )


def put_rows(
    con: duckdb.DuckDBPyConnection, name: str, rows: Sequence[LimitRow], *, by_version: bool = False
) -> None:
    """Make a relation of library rows.

    Parameters
    ----------
    con
        Where to make it.
    name
        Its name.
    rows
        The rows; `row_no` counts them from 1.
    by_version
        Whether a row holds only for what ran its own version; else `library_version` is null: for all.
    """
    strengths = [row.strength for row in rows]
    columns: dict[str, pa.Array] = {
        "row_no": pa.array(range(1, len(rows) + 1), pa.int64()),
        "library_version": pa.array([row.version if by_version else None for row in rows], pa.string()),
        "care_area": pa.array([row.care_area for row in rows], pa.string()),
        "entry": pa.array([row.entry for row in rows], pa.string()),
        "strength_dimension": pa.array([None if s is None else s[0] for s in strengths], pa.string()),
        "strength": pa.array([None if s is None else s[1] for s in strengths], pa.float64()),
        "concentration": pa.array([row.concentration for row in rows], pa.string()),
        "limit_quantity": pa.array([row.limited_quantity for row in rows], pa.string()),
        "limit_unit": pa.array([_known(row.limit_unit) for row in rows], pa.string()),
        **{name: pa.array([getattr(row, name) for row in rows], pa.float64()) for name in LIMITS},
        "weight_min_kg": pa.array([row.weight_min_kg for row in rows], pa.float64()),
        "weight_max_kg": pa.array([row.weight_max_kg for row in rows], pa.float64()),
        "weights": pa.array([row.weights for row in rows], pa.string()),
    }
    put(con, name, pa.table(columns))


def _known(unit: str | None) -> str | None:
    return unit if unit in UNITS else None


def build(con: duckdb.DuckDBPyConnection, *relations: str) -> None:
    """Make relations of ``sql/library`` and what they read."""
    build_relations(con, "library", relations)


def fetch(con: duckdb.DuckDBPyConnection, relation: str) -> pa.Table:
    """Return a relation as an Arrow table, in its own order."""
    return con.sql(f'select * from "{relation}"').to_arrow_table()
