"""One store is one facility's: its name is part of every event's identity."""

from __future__ import annotations

import duckdb

from dripledger.errors import ConfigurationError
from dripledger.store.snapshot import Snapshot


def refuse_other_facility(con: duckdb.DuckDBPyConnection, snapshot: Snapshot, facility: str) -> None:
    """Refuse to write to a store that holds the log of another facility.

    Parameters
    ----------
    con
        A connection to ask in: to open one takes longer than the question.
    snapshot
        The store's newest version.
    facility
        The facility of ``site.toml``.

    Raises
    ------
    ConfigurationError
        If what was ingested is of another one; the message names both.
    """
    if not snapshot.files("ingests"):
        return
    snapshot.attach(con, ["ingests"], "of_any_facility_")
    rows = con.execute(
        "select distinct facility from of_any_facility_ingests where facility is not null order by facility"
    ).fetchall()
    con.execute("drop view of_any_facility_ingests")
    other = [name for (name,) in rows if name != facility]
    if other:
        raise ConfigurationError(
            f"facility is {facility!r} here, and the store holds the logs of {other[0]!r}",
            where="site.toml",
            do=f"Set it back to {other[0]!r}, or make a site of its own with 'dripledger init'",
        )
