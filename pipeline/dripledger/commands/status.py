"""`status`: what is in the store, how fresh, how complete, and which labels wait to be filed."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

import duckdb
import pyarrow as pa

from dripledger import __version__
from dripledger.commands.completeness import TABLES_READ, completeness, summary_rows
from dripledger.engine import build_relations, connect
from dripledger.events.near_misses import NearMiss, near_misses
from dripledger.events.run import why_rebuild
from dripledger.library.reviews import unknown_reviews
from dripledger.site import Site, spellings
from dripledger.store import Snapshot, spill_folder
from dripledger.store.status import status as store_status


def describe(site: Site, snapshot: Snapshot, *, newest: bool = True) -> dict[str, Any]:
    """Return the status of a site's store as one document.

    Parameters
    ----------
    site
        The site folder.
    snapshot
        The version of its store to describe.
    newest
        Whether it is the newest one: of an older one nobody asks what the next ingest does.

    Returns
    -------
    dict
        What `dripledger.store.status.status` says, with ``facility``, ``time_zone`` and ``code_version``
        before it, and after it ``infusions_wait`` (why the next ingest builds all infusions again; None: it
        does not), ``waiting`` (reason -> records), ``pumps_listed`` (number in pumps.csv; None without the
        list), ``pumps_never_heard`` and ``pumps_not_listed`` (names), ``reviews_unknown`` (cases of
        reviews.csv that no record has, with their rows), ``near_misses`` (labels that may be misspelt, as
        of `events.near_misses.NearMiss`) and ``completeness`` (see `completeness`).
    """
    with spill_folder(site.store, "status") as spill, connect(spill) as con:
        snapshot.attach(con, TABLES_READ)
        names = sorted({row.pump for row in site.pumps or ()})
        con.register("listed_pumps", pa.table({"pump_id": pa.array(names, pa.string())}))
        build_relations(con, "status")
        waiting = dict(con.execute("select reason, records from status_waiting").fetchall())
        pumps = con.execute("select pump_id, is_listed, last_event_at from status_pumps").fetchall()
        misspelt = _near_misses(con, site)
        complete = completeness(con, site, snapshot)
        closing_nothing = unknown_reviews(con, site)
    listed = site.pumps is not None
    return {
        "facility": site.settings.facility,
        "time_zone": site.settings.time_zone,
        "code_version": __version__,
        **store_status(snapshot),
        "infusions_wait": (why_rebuild(site, snapshot) or None) if newest else None,
        "waiting": waiting,
        "pumps_listed": len(names) if listed else None,
        "pumps_never_heard": [pump for pump, _, last in pumps if last is None],
        "pumps_not_listed": [pump for pump, is_listed, _ in pumps if listed and not is_listed],
        "reviews_unknown": [f"{row.case} (row {row.row})" for row in closing_nothing],
        "near_misses": [asdict(miss) for miss in misspelt],
        "completeness": complete,
    }


def _near_misses(con: duckdb.DuckDBPyConnection, site: Site) -> list[NearMiss]:
    found = []
    for what, known in zip(("care_area", "entry"), spellings(site), strict=True):
        labels = con.execute(
            f"select {what}_logged, count(*) from events where {what}_logged is not null group by all"
        ).fetchall()
        found += near_misses(what, dict(labels), known)
    return found


def as_table(document: dict[str, Any]) -> pa.Table:
    """Return the document as rows of (about, name, value), for a terminal and for CSV."""
    rows: list[tuple[str, str, Any]] = []
    for about, value in document.items():
        if about in ("near_misses", "completeness"):
            continue
        if not isinstance(value, dict):
            rows.append(("store", about, value))
        for name, inner in value.items() if isinstance(value, dict) else ():
            if isinstance(inner, dict):
                rows += [(f"{about}: {name}", key, item) for key, item in inner.items()]
            else:
                rows.append((about, name, inner))
    rows += [
        (
            f"near miss: {miss['what']}",
            miss["label"],
            f"{miss['near']}{'' if miss['means'] is None else ' = ' + miss['means']} ({miss['why']}), "
            f"{miss['events']} events",
        )
        for miss in document["near_misses"]
    ]
    rows += summary_rows(document["completeness"])
    columns = ("about", "name", "value")
    return pa.table(
        {column: [_text(row[i]) for row in rows] for i, column in enumerate(columns)},
        schema=pa.schema([(column, pa.string()) for column in columns]),
    )


def _text(value: Any) -> str | None:
    if isinstance(value, list):
        return ", ".join(value)
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return None if value is None else str(value)
