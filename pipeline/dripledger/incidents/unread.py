"""Records that nobody could read and that lie in a window, and how they were placed there."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import duckdb

from dripledger.incidents.rows import Row, fetch
from dripledger.site import Site


def find_unread(
    con: duckdb.DuckDBPyConnection,
    pump_id: str,
    events: Sequence[Row],
    site: Site,
    begins_at: datetime,
    ends_at: datetime,
) -> list[Row]:
    """Return the records that nobody could read and that lie in the window.

    By their own time where one can be read (less the clock error that clocks.csv declares); else by their
    number, between two numbers of the window; else by their place in the file, between two records of it.

    Parameters
    ----------
    con
        Connection in which `store_quarantined` stands.
    pump_id
        The pump.
    events
        Its events in and around the window.
    site
        The site.
    begins_at, ends_at
        The window, UTC.

    Returns
    -------
    list of dict
        Rows of `quarantined`, each with ``at`` and, in words, what it was ``placed_by``.
    """
    shas = sorted({str(row["source_file_sha256"]) for row in events})
    rows = fetch(
        con,
        "select * from store_quarantined where pump_id = ? or (pump_id is null and "
        "source_file_sha256 in (select unnest(?::varchar[]))) order by source_file_sha256, source_record",
        [pump_id, shas],
    )
    found = []
    for row in rows:
        span, how = _when(events, site, row)
        if span is not None and span[0] <= ends_at and span[1] >= begins_at:
            found.append({**row, "at": max(span[0], begins_at), "placed_by": how})
    return sorted(found, key=lambda r: (r["at"], r["source_file_sha256"], r["source_record"]))


def _when(events: Sequence[Row], site: Site, row: Row) -> tuple[tuple[datetime, datetime] | None, str]:
    """Return between which moments a record lies, and what says so."""
    moment = _own_moment(events, site, row)
    if moment is not None:
        return (moment, moment), "its own time"
    if row["pump_id"] is not None and row["sequence"] is not None:
        numbered = [e for e in events if e["sequence"] is not None and e["source_name"] == row["source_name"]]
        return _between(numbered, "sequence", int(row["sequence"])), "its number"
    same = [e for e in events if e["source_file_sha256"] == row["source_file_sha256"]]
    whose = "" if row["pump_id"] else "; it may be of another pump"
    return _between(same, "source_record", int(row["source_record"])), f"its place in the file{whose}"


def _between(events: Sequence[Row], name: str, value: int) -> tuple[datetime, datetime] | None:
    """Return the moments of the neighbours on both sides; None where one is missing."""
    before = [e for e in events if e[name] <= value]
    after = [e for e in events if e[name] > value]
    if not before or not after:
        return None
    low = max(before, key=lambda e: (e[name], e["place"]))["occurred_at"]
    high = min(after, key=lambda e: (e[name], e["place"]))["occurred_at"]
    return (low, max(low, high))


def _own_moment(events: Sequence[Row], site: Site, row: Row) -> datetime | None:
    if row["device_time"] is None or row["pump_id"] is None:
        return None
    reading: datetime = row["device_time"]
    if not 1900 <= reading.year <= 2300:
        return None
    near = [e for e in events if e["source_name"] == row["source_name"]]
    if not near:
        return reading.replace(tzinfo=site.zone).astimezone(UTC)
    # the same source, the same pump: what its neighbour's clock was corrected by holds here too
    one = min(near, key=lambda e: (abs(e["device_time"] - reading), e["place"]))
    moment: datetime = one["occurred_at"] + (reading - one["device_time"])
    return moment
