"""The repeated hour, settled over what is kept and what is new: the order of arrival does not matter."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dripledger.events import times
from dripledger.events.account import Account

if TYPE_CHECKING:
    from dripledger.events.run import Run

_SHIFTED = (
    "create or replace temp table shifted (ref varchar, source_name varchar, pump_id varchar, sequence "
    "bigint, "
    "reading timestamp, zone varchar, shift_start timestamp, shift_end timestamp, before_s integer, "
    "after_s integer, repeats boolean)"
)
_SHIFT_COLUMNS = "zone, shift_start, shift_end, before_s, after_s, repeats"


def settle_new(run: Run, account: Account, with_kept: bool = False) -> bool:
    """Make `{name}_settled`: instant and quality of events inside a repeated or skipped hour.

    Parameters
    ----------
    run, account
        The run, and an account that has been compared.
    with_kept
        Whether kept events of the same pumps and hours are looked at as well.

    Returns
    -------
    bool
        Whether there are any.
    """
    con, n = run.con, account.name
    con.execute(
        f"create or replace temp table {n}_settled "
        "(file_no integer, record bigint, place bigint, settled_at timestamptz, quality varchar)"
    )
    zones = {src: told.zone for src, told in account.sources.items() if told.zone is not None}
    years = [
        row[0]
        for row in con.execute(
            f"select distinct year(device_time) from {n}_events where not bad and device_time is not null"
        ).fetchall()
    ]
    if not zones or not times.register_shifts(con, "zone_shifts", set(zones.values()), years):
        return False
    con.execute(_SHIFTED)
    con.execute(
        f"create or replace temp table {n}_refs (ref varchar, file_no integer, record bigint, place bigint)"
    )
    for src, zone in zones.items():
        _new_rows(run, account, src, zone)
    if not con.execute("select 1 from shifted limit 1").fetchall():
        return False
    if with_kept:
        _kept_rows(run)
    con.execute(f"create or replace temp table settled as {times.SETTLE_SQL}")
    con.execute(
        f"insert into {n}_settled select r.file_no, r.record, r.place, s.instant, s.quality "
        f"from settled s join {n}_refs r on r.ref = s.ref"
    )
    return True


def settle(run: Run, account: Account) -> int:
    """Settle the new events, and let kept ones follow that a new context moves.

    Returns
    -------
    int
        Number of kept events that moved.
    """
    if not settle_new(run, account, with_kept=True):
        return 0
    return _moved(run)


def _new_rows(run: Run, account: Account, src: int, zone: str) -> None:
    con, n, told = run.con, account.name, account.sources[src]
    con.execute(
        f"create or replace temp table inside as select e.file_no, e.record, e.place, s.* from {n}_live e "
        "join zone_shifts s on e.device_time >= s.shift_start and e.device_time < s.shift_end "
        f"where e.src = {src} and s.zone = '{zone}' and not exists (select 1 from {n}_dropped d where "
        "d.file_no = e.file_no and d.record = e.record and d.place = e.place)"
    )
    if not con.execute("select 1 from inside limit 1").fetchall():
        return
    ref = "'new:' || i.file_no || ':' || i.record || ':' || i.place"
    con.execute(f"insert into {n}_refs select {ref}, file_no, record, place from inside i")
    reliable = str(told.mapping.sequence_reliable).lower()
    shift = ", ".join(f"i.{c.strip()}" for c in _SHIFT_COLUMNS.split(","))
    con.execute(
        f"insert into shifted select {ref}, t.source_name, t.pump_id, case when {reliable} then "
        "t.sequence end, "
        f"t.device_time, {shift} from {told.typed} t "
        "join inside i on i.file_no = t.file_no and i.record = t.record and i.place = t.record_place "
        "where t.ignored is null and t.offset_s is null"
    )


def _kept_rows(run: Run) -> None:
    """Add what the ledger holds of the same pumps in the same repeated hours."""
    columns = ", ".join(f"g.{c.strip()}" for c in _SHIFT_COLUMNS.split(","))
    run.con.execute(
        "insert into shifted select e.event_id, e.source_name, e.pump_id, "
        f"case when e.sequence_reliable then e.sequence end, e.device_time, {columns} from current_events e "
        f"join (select distinct source_name, pump_id, {_SHIFT_COLUMNS} from shifted where repeats) g "
        "on g.source_name = e.source_name and g.pump_id = e.pump_id "
        "and e.device_time >= g.shift_start and e.device_time < g.shift_end"
    )


def _moved(run: Run) -> int:
    """Change kept events whose instant or quality is another now."""
    con = run.con
    placed = "(s.instant - to_microseconds(cast(round(e.clock_offset_s * 1e6) as bigint)))"
    quality = "case when s.quality = 'exact' and e.clock_offset_s <> 0 then 'corrected' else s.quality end"
    con.execute(
        f"create or replace temp table run_moved as select e.* replace ({placed} as occurred_at, "
        f"{quality} as time_quality, strftime(s.instant at time zone 'UTC', '%Y-%m') as month) "
        f"from current_events e join settled s on s.ref = e.event_id "
        f"where e.occurred_at is distinct from {placed} or e.time_quality is distinct from {quality}"
    )
    con.execute(
        "insert into run_touched select m.facility, m.pump_id, least(m.occurred_at, e.occurred_at) "
        "from run_moved m join current_events e using (event_id)"
    )
    con.execute("delete from run_changed where event_id in (select event_id from run_moved)")
    con.execute(
        "insert into run_replaced select event_id, month from base_events "
        "where event_id in (select event_id from run_moved) and event_id not in (select event_id from "
        "run_replaced)"
    )
    con.execute("insert into run_changed select * from run_moved")
    return int(con.execute("select count(*) from run_moved").fetchall()[0][0])
