"""Reviews that close nothing: rows of ``reviews.csv`` whose case no record of the store has."""

from __future__ import annotations

from typing import Final

import duckdb

from dripledger.lists import ReviewRow
from dripledger.site import Site

#: Kinds of events that name a case: a limit alert and what became of it, a halt, a start, a change.
_NAMING: Final = (
    "limit_alerted", "limit_overridden", "reprogrammed_within_limits", "attempt_cancelled",
    "library_bypassed", "alarm_raised", "alarm_updated", "fault_logged", "door_opened",
    "infusion_started", "infusion_resumed", "rate_changed", "programme_changed", "order_accepted",
)  # fmt: skip
#: Cases that are named; of more only the number is told.
_MOST: Final = 5


def unknown_reviews(con: duckdb.DuckDBPyConnection, site: Site) -> list[ReviewRow]:
    """Return the rows whose case is no event that a case can be named by, in the order of the file.

    Parameters
    ----------
    con
        Connection in which ``events`` stands.
    site
        The site; its reviews are looked up.
    """
    # an id that a pump-level event gives ends with a channel
    asked = {row.case: row.case.partition(":")[0] for row in site.reviews}
    if not asked:
        return []
    found = con.execute(
        "select event_id from events where list_contains($1, event_id) and list_contains($2, kind)",
        [sorted(set(asked.values())), list(_NAMING)],
    ).fetchall()
    known = {event_id for (event_id,) in found}
    return [row for row in site.reviews if asked[row.case] not in known]


def told(rows: list[ReviewRow]) -> str:
    """Say in one sentence which rows of ``reviews.csv`` close nothing; empty where all do."""
    if not rows:
        return ""
    one = len(rows) == 1
    named = ", ".join(f"{row.case} (row {row.row})" for row in rows[:_MOST])
    more = f" and {len(rows) - _MOST} more" if len(rows) > _MOST else ""
    return (
        f"reviews.csv names {len(rows)} {'case' if one else 'cases'} that no record of this store has, so "
        f"{'it closes' if one else 'they close'} nothing: {named}{more}."
    )
