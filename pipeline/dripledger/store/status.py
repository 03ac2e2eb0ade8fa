"""What is in the store, how fresh it is, and which labels nobody has filed yet."""

from __future__ import annotations

from typing import Any, Final

import duckdb

from dripledger.engine import connect
from dripledger.schema import TABLES
from dripledger.store.layout import spill_folder
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
        first); ``sources`` (source -> ``events``, ``last_occurred_at``).
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
    }
