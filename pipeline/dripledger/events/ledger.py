"""The ledger balance over the store: what became of every record ever read."""

from __future__ import annotations

from dripledger.engine import connect
from dripledger.events.result import FileBalance, IngestResult
from dripledger.store import Snapshot


def balance(snapshot: Snapshot) -> IngestResult:
    """Return the balance of every file in the store, in the same shape as an ingest's.

    It is sound where the tables hold as many events and waiting records as the ledger says.
    """
    con = connect()
    try:
        snapshot.attach(con, ["ingests", "events", "quarantined"])
        rows = con.execute(
            "select path, source_file_sha256, source_name, rows_read, events_kept, duplicates, quarantined, "
            "rows_ignored, events, forgotten_at is not null from ingests order by path, ingest_id, "
            "source_file_sha256"
        ).fetchall()
        files = tuple(FileBalance(row[0], row[1], row[2], False, *row[3:]) for row in rows)
        events, waiting = con.execute(
            "select (select count(*) from events), (select count(*) from quarantined)"
        ).fetchall()[0]
    finally:
        con.close()
    sound = events == sum(f.events for f in files) and waiting == sum(f.quarantined for f in files)
    ingest_id = None if snapshot.row is None else snapshot.row.ingest_id
    return IngestResult(ingest_id, snapshot.version, files, sound=sound)
