"""From a case, as reports and lists name it, to the pump and the window that a trace of it needs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.incidents.rows import fetch
from dripledger.site import Site
from dripledger.store import Snapshot, spill_folder

#: How long before the first alert of an attempt, or an alarm, and after its end is looked at, at least.
_ROUND: Final = timedelta(minutes=15)


@dataclass(frozen=True, slots=True)
class Listed:
    """Where and when a listed case was.

    Parameters
    ----------
    pump_id
        The pump.
    begins_at, ends_at
        The window, UTC: a quarter of an hour round an attempt, an alarm or an event; the whole infusion.
    at
        The first alert of an attempt, the raising of an alarm, the moment of an event, UTC; None for an
        infusion, in which it may have been at several moments.
    """

    pump_id: str
    begins_at: datetime
    ends_at: datetime
    at: datetime | None


def find_listed(site: Site, snapshot: Snapshot, case_id: str) -> Listed:
    """Find a case by its id: of an attempt, an infusion (long stops, rate changes), an alarm, or any event.

    Raises
    ------
    UsageError
        If this version of the store has no such case.
    """
    with spill_folder(site.store, "case") as spill, connect(spill) as con:
        snapshot.attach(con, ("attempts", "infusions", "alarms", "segments", "events"))
        for sql, about in (
            ("select pump_id, first_alert_at as at, greatest(first_alert_at, decided_at) as until_at "
             "from attempts where attempt_id = ?", _ROUND),
            ("select i.pump_id, i.started_at as at, coalesce(i.ended_at, max(s.ended_at), i.started_at) "
             "as until_at from infusions as i left join segments as s on i.infusion_id = s.infusion_id "
             "where i.infusion_id = ? group by i.pump_id, i.started_at, i.ended_at", timedelta()),
            ("select pump_id, raised_at as at, greatest(raised_at, cleared_at) as until_at "
             "from alarms where alarm_id = ?", _ROUND),
            ("select pump_id, occurred_at as at, occurred_at as until_at "
             "from events where event_id = ?", _ROUND),
        ):  # fmt: skip
            for row in fetch(con, sql, [case_id]):
                return Listed(
                    row["pump_id"], row["at"] - about, row["until_at"] + about, row["at"] if about else None
                )
    raise UsageError(
        f"store version {snapshot.version} has no case of that id",
        where="--case",
        do="Copy the id of a case from a report of this store, its workbook or 'library attention'",
    )
