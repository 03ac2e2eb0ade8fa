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
#: To the end of the stretch that began at that moment: a stop by an alarm, or what ran at a changed rate.
_STRETCH: Final = (
    "select f.pump_id, f.at, greatest(f.at, f.until_at, max(s.ended_at)) as until_at "
    "from found as f left join segments as s "
    "on s.pump_id = f.pump_id and s.started_at = f.at and (s.channel = f.channel or f.channel = '') "
    "group by f.pump_id, f.at, f.until_at"
)
#: What a case may be named by, with how much round it is looked at.
_SOUGHT: Final = (
    (
        "select pump_id, first_alert_at as at, greatest(first_alert_at, decided_at) as until_at "
        "from attempts where attempt_id = ?",
        _ROUND,
    ),
    (
        "select i.pump_id, i.started_at as at, "
        "coalesce(i.ended_at, max(s.ended_at), i.started_at) as until_at "
        "from infusions as i left join segments as s on i.infusion_id = s.infusion_id "
        "where i.infusion_id = ? group by i.pump_id, i.started_at, i.ended_at",
        timedelta(),
    ),
    (
        "with found as (select pump_id, channel, raised_at as at, cleared_at as until_at from alarms "
        f"where alarm_id = ?) {_STRETCH}",
        _ROUND,
    ),
    (
        "with found as (select pump_id, channel, occurred_at as at, occurred_at as until_at from events "
        f"where event_id = split_part(?, ':', 1)) {_STRETCH}",
        _ROUND,
    ),
)


@dataclass(frozen=True, slots=True)
class Listed:
    """Where and when a listed case was.

    Parameters
    ----------
    pump_id
        The pump.
    begins_at, ends_at
        The window, UTC: a quarter of an hour round an attempt, or round an alarm or an event and the stretch
        that began with it; the whole infusion.
    at
        The first alert of an attempt, the raising of an alarm, the moment of an event, UTC; None for an
        infusion, in which it may have been at several moments.
    """

    pump_id: str
    begins_at: datetime
    ends_at: datetime
    at: datetime | None


def find_listed(site: Site, snapshot: Snapshot, case_id: str) -> Listed:
    """Find a case by its id: of an attempt, an infusion, an alarm (long stops), or any event (rate changes).

    An event of the whole pump is named with the channel behind it. What began at the moment of an alarm or an
    event is shown to its end.

    Raises
    ------
    UsageError
        If this version of the store has no such case.
    """
    with spill_folder(site.store, "case") as spill, connect(spill) as con:
        snapshot.attach(con, ("attempts", "infusions", "alarms", "segments", "events"))
        for sql, about in _SOUGHT:
            for row in fetch(con, sql, [case_id]):
                return Listed(
                    row["pump_id"], row["at"] - about, row["until_at"] + about, row["at"] if about else None
                )
    raise UsageError(
        f"store version {snapshot.version} has no case of that id",
        where="--case",
        do="Copy the id of a case from a report of this store, its workbook or 'library attention'",
    )
