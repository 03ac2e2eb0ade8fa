"""How much of the logs the store holds: numbers missing, counters begun anew, late files, silent pumps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import duckdb
import pyarrow as pa

from dripledger.commands.output import counted
from dripledger.engine import build_relations
from dripledger.measures import Month, months_in_store
from dripledger.site import Site
from dripledger.store import Snapshot

#: Tables of the store that have to stand in the connection.
TABLES_READ: Final = ("events", "quarantined", "ignored", "ingests")
_COUNTS: Final = ("seen", "missing", "gaps", "resets", "wraps", "events", "days_heard", "late_events")
_INSTANT: Final = pa.timestamp("us", tz="UTC")


def completeness(con: duckdb.DuckDBPyConnection, site: Site, snapshot: Snapshot) -> dict[str, Any]:
    """Return how complete the logs in the store are.

    Parameters
    ----------
    con
        Connection in which `TABLES_READ` stand.
    site
        The site.
    snapshot
        The version that is read.

    Returns
    -------
    dict
        ``pump_months``: one row a month, source and pump: ``seen`` and ``missing`` numbers, ``gaps``,
        ``resets`` and ``wraps`` of the counter (None where the source's numbers are not reliable),
        ``share_held`` (seen / (seen + missing), or None), ``events``, ``days_heard``, ``late_events``.
        ``late_files``; ``silent_pumps`` (longer than usual, and still in service); ``clocks_ahead`` (events
        after the commit).
    """
    if snapshot.committed_at is None:
        return {"pump_months": [], "late_files": [], "silent_pumps": [], "clocks_ahead": []}
    _put_months(con, site, months_in_store(con, site))
    con.execute(
        "create or replace temp table completeness_settings as select ?::timestamptz as committed_at, "
        "?::varchar as zone",
        [snapshot.committed_at, site.settings.time_zone],
    )
    # where the relations of the measures read the zone
    con.execute("create or replace temp table measure_settings as select zone from completeness_settings")
    build_relations(con, "measures", ["log_completeness", "sequence_runs"], as_views=("sequence_records",))
    build_relations(con, "completeness")
    retired = {row.pump: row.in_service_to for row in site.pumps or () if row.in_service_to is not None}
    silent = _rows(con, "select * from silent_pumps order by silent_days desc, pump_id")
    return {
        "pump_months": _pump_months(con),
        "late_files": _rows(con, "select * from late_files order by path, source_file_sha256"),
        "silent_pumps": [
            row
            for row in silent
            if row["pump_id"] not in retired or retired[row["pump_id"]] > row["last_day"]
        ],
        "clocks_ahead": _rows(con, "select * from clocks_ahead order by pump_id"),
    }


def _rows(con: duckdb.DuckDBPyConnection, sql: str) -> list[dict[str, Any]]:
    return con.sql(sql).to_arrow_table().to_pylist()  # type: ignore[no-any-return]


def _pump_months(con: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    rows = _rows(
        con,
        "select coalesce(e.month, n.month) as month, coalesce(e.source, n.source) as source, "
        "coalesce(e.pump_id, n.pump_id) as pump_id, n.seen, n.missing, n.gaps, n.resets, n.wraps, "
        "coalesce(e.events, 0) as events, coalesce(e.days_heard, 0) as days_heard, "
        "coalesce(e.late_events, 0) as late_events from held_events e full join held_numbers n "
        "on e.month = n.month and e.source = n.source and e.pump_id = n.pump_id order by 1, 2, 3",
    )
    for row in rows:
        expected = None if row["seen"] is None else row["seen"] + row["missing"]
        row["share_held"] = row["seen"] / expected if expected else None
    return rows


def _put_months(con: duckdb.DuckDBPyConnection, site: Site, months: Sequence[Month]) -> None:
    table = pa.table({
        "month": pa.array([str(m) for m in months], pa.string()),
        "begins_at": pa.array([m.begins_at(site.zone) for m in months], _INSTANT),
        "ends_at": pa.array([m.plus(1).begins_at(site.zone) for m in months], _INSTANT),
    })  # fmt: skip
    con.register("months_given", table)
    con.execute("create or replace temp table site_months as select * from months_given")
    con.unregister("months_given")


def summary_rows(told: dict[str, Any]) -> list[tuple[str, str, Any]]:
    """Return the document's small form: one row a month, and one a thing that somebody should look at."""
    rows: list[tuple[str, str, Any]] = []
    by_month: dict[str, list[dict[str, Any]]] = {}
    for row in told["pump_months"]:
        by_month.setdefault(row["month"], []).append(row)
    for month, pumps in by_month.items():
        sums = {name: sum(p[name] or 0 for p in pumps) for name in _COUNTS}
        expected = sums["seen"] + sums["missing"]
        held = f"{sums['seen']} of {expected} numbers ({sums['seen'] / expected:.2%})" if expected else None
        parts = [counted(len({p["pump_id"] for p in pumps}), "pump", "pumps"), held or "no reliable numbers"]
        parts += [
            counted(sums[name], one, f"{one}s")
            for name, one in (
                ("gaps", "gap"), ("resets", "reset"), ("wraps", "wrap"), ("late_events", "late event"),
            )
            if sums[name]
        ]  # fmt: skip
        rows.append(("log held", month, ", ".join(parts)))
    rows += [
        (
            "late file",
            f["path"],
            f"{f['late_events']} events of {f['pumps']} pumps, back to {f['oldest_at']:%Y-%m-%d}",
        )
        for f in told["late_files"]
    ]
    rows += [
        ("silent for longer than usual", p["pump_id"],
         f"{p['silent_days']} days since {p['last_day']}; usually at most {p['usual_days']}")
        for p in told["silent_pumps"]
    ]  # fmt: skip
    rows += [
        (
            "clock ahead",
            p["pump_id"],
            f"{p['events']} events after the commit, up to {p['furthest_at']:%Y-%m-%d}",
        )
        for p in told["clocks_ahead"]
    ]
    return rows
