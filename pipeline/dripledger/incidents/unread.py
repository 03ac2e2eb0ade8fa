"""Records that nobody could read and that lie in a window, and how they were placed there."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import duckdb

from dripledger.events.times import zone_of
from dripledger.incidents.rows import Row, fetch
from dripledger.site import Site, read_toml


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
    number, between two numbers; else by their place in the file, between two records of it. Beyond the first
    or the last of these they lie before the pump's next event, or after the one before.

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
    whole = _files_of_one_pump(con, events, [r["source_file_sha256"] for r in rows if r["pump_id"] is None])
    found = []
    for row in rows:
        span, how = _when(events, site, row, (begins_at, ends_at), whole)
        if span is not None and span[0] <= ends_at and span[1] >= begins_at:
            found.append({**row, "at": max(span[0], begins_at), "placed_by": how})
    return sorted(found, key=lambda r: (r["at"], r["source_file_sha256"], r["source_record"]))


def _files_of_one_pump(
    con: duckdb.DuckDBPyConnection, events: Sequence[Row], files: Sequence[str]
) -> set[str]:
    """Return which of some files hold events of one pump alone, in the months of its events."""
    if not files:
        return set()
    months = sorted({f"{event['device_time']:%Y-%m}" for event in events})
    rows = con.execute(
        "select source_file_sha256 from store_events where month in (select unnest(?::varchar[])) "
        "and source_file_sha256 in (select unnest(?::varchar[])) "
        "group by source_file_sha256 having count(distinct pump_id) = 1",
        [months, list(files)],
    ).fetchall()
    return {row[0] for row in rows}


def _when(
    events: Sequence[Row], site: Site, row: Row, window: tuple[datetime, datetime], whole: set[str]
) -> tuple[tuple[datetime, datetime] | None, str]:
    """Return between which moments a record lies, and what says so."""
    moment = _own_moment(events, site, row)
    if moment is not None:
        return (moment, moment), "its own time"
    if row["pump_id"] is not None and row["sequence"] is not None:
        numbered = [e for e in events if e["sequence"] is not None and e["source_name"] == row["source_name"]]
        return _between(events, numbered, "sequence", int(row["sequence"]), window), "its number"
    same = [e for e in events if e["source_file_sha256"] == row["source_file_sha256"]]
    whose = "" if row["pump_id"] else "; it may be of another pump"
    span = _between(events, same, "source_record", int(row["source_record"]), window)
    numbers = [e["source_record"] for e in same]
    if (
        not row["pump_id"]
        and row["source_file_sha256"] not in whole
        and numbers
        and not (min(numbers) <= row["source_record"] < max(numbers))
    ):
        # before the first or after the last of this pump in a file of several, it is as likely another's
        span = None
    return span, f"its place in the file{whose}"


def _between(
    events: Sequence[Row], same: Sequence[Row], name: str, value: int, window: tuple[datetime, datetime]
) -> tuple[datetime, datetime] | None:
    """Return the moments of the neighbours on both sides.

    Where one is missing, that of the pump's next event, or of the window; None where both are.
    """
    before = [e for e in same if e[name] <= value]
    after = [e for e in same if e[name] > value]
    if not before and not after:
        return None
    first = max(before, key=lambda e: (e[name], e["place"])) if before else None
    last = min(after, key=lambda e: (e[name], e["place"])) if after else None
    if first is None and last is not None:
        first = max((e for e in events if e["place"] < last["place"]), key=lambda e: e["place"], default=None)
    if last is None and first is not None:
        last = min((e for e in events if e["place"] > first["place"]), key=lambda e: e["place"], default=None)
    low = window[0] if first is None else first["occurred_at"]
    high = max(low, window[1]) if last is None else last["occurred_at"]
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
    by_neighbour: datetime = one["occurred_at"] + (reading - one["device_time"])
    zone = _zone_of(site, str(row["source_name"]))
    if zone is None:
        return by_neighbour
    # the zone may have changed between the two; of an hour that is there twice, the one nearer to it
    off = timedelta(seconds=float(one["clock_offset_s"]))
    both = [reading.replace(tzinfo=zone, fold=fold).astimezone(UTC) - off for fold in (0, 1)]
    return min(both, key=lambda moment: abs(moment - by_neighbour))


def _zone_of(site: Site, source: str) -> ZoneInfo | None:
    """Return the zone that a source's clocks are read in; None where each time has an offset of its own."""
    for path in sorted(site.sources.glob("*.toml")):
        mapping = read_toml(path)
        if mapping.get("name", path.stem) == source:
            name = zone_of(str(mapping.get("time", {}).get("zone", "in_text")), site.settings.time_zone)
            return None if name is None else ZoneInfo(name)
    return None
