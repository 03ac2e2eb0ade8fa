"""What is in the store, how fresh it is, and which labels nobody has filed yet."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import duckdb

from dripledger.engine import connect
from dripledger.schema import TABLES
from dripledger.store.layout import spill_folder
from dripledger.store.remains import data_files, unnamed_files
from dripledger.store.snapshot import Snapshot

# the word in events.unmapped -> the column that holds what the log wrote
_LABELS: Final = {
    "kind": "kind_logged",
    "entry": "entry_logged",
    "care_area": "care_area_logged",
    "alarm": "alarm_label",
}


def status(snapshot: Snapshot) -> dict[str, Any]:
    """Summarise one version of the store.

    Returns
    -------
    dict
        ``version``; ``committed_at`` (datetime, UTC; None while nothing is committed); ``rows`` (table ->
        rows); ``first_occurred_at`` and ``last_occurred_at`` (datetime, UTC, or None); ``pumps`` (number);
        ``quarantined`` (records that wait); ``unmapped`` (kind of label -> label -> events, most frequent
        first); ``sources`` (source -> ``events``, ``last_occurred_at``); ``held`` (``data_files`` and their
        ``data_bytes``, of every version up to this one; ``unnamed_files`` and ``unnamed_bytes``, which no
        such version names: of a later version, of a writer at work, or left behind by one that failed).
    """
    with spill_folder(snapshot.root, "status") as spill:
        con = connect(spill)
        try:
            snapshot.attach(con)
            return _summary(con, snapshot)
        finally:
            con.close()


def _summary(con: duckdb.DuckDBPyConnection, snapshot: Snapshot) -> dict[str, Any]:
    rows = {
        name: int(con.execute(f'select count(*) from "{name}"').fetchall()[0][0]) for name in sorted(TABLES)
    }
    first, last, pumps = con.execute(
        "select min(occurred_at), max(occurred_at), count(distinct (facility, pump_id)) from events"
    ).fetchall()[0]
    unmapped: dict[str, dict[str, int]] = {}
    for word, column in _LABELS.items():
        found = con.execute(
            f"""
            select coalesce("{column}", '') as label, count(*) as n
            from events where list_contains(unmapped, ?) group by label order by n desc, label
            """,
            [word],
        ).fetchall()
        unmapped[word] = {label: int(n) for label, n in found}
    sources = con.execute(
        "select source_name, count(*), max(occurred_at) from events group by source_name order by source_name"
    ).fetchall()
    return {
        "version": snapshot.version,
        "committed_at": snapshot.committed_at,
        "rows": rows,
        "first_occurred_at": first,
        "last_occurred_at": last,
        "pumps": int(pumps),
        "quarantined": rows["quarantined"],
        "unmapped": unmapped,
        "sources": {name: {"events": int(n), "last_occurred_at": at} for name, n, at in sources},
        "held": _held(snapshot),
    }


def _held(snapshot: Snapshot) -> dict[str, int]:
    unnamed = _sizes(unnamed_files(snapshot))
    every = _sizes(data_files(snapshot.root))
    return {
        "data_files": len(every) - len(unnamed),
        "data_bytes": sum(every) - sum(unnamed),
        "unnamed_files": len(unnamed),
        "unnamed_bytes": sum(unnamed),
    }


def _sizes(paths: Iterable[Path]) -> list[int]:
    """Return the sizes of those that are still there; a writer may be taking some away now."""
    sizes = []
    for path in paths:
        with contextlib.suppress(FileNotFoundError):
            sizes.append(path.stat().st_size)
    return sizes
