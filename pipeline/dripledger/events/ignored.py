"""Numbers of ignored records: such a record carries no event, but its number shows that it was not lost.

The ledger keeps one row for each pump, number and clock reading of a source that an ignored record carries,
so that an overlapping export adds none. Derivation again replaces the rows of a file: a label that was filed
as carrying no event brings its numbers here, one that counts from now on takes them to the events.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pyarrow as pa

from dripledger.events import times
from dripledger.events.account import Account
from dripledger.events.final import clock_sql, corrected_sql
from dripledger.schema import TABLES
from dripledger.sources.staging import quoted

if TYPE_CHECKING:
    import duckdb

    from dripledger.events.lists import SiteLists
    from dripledger.store import Writer

_NAMES: Final = TABLES["ignored"].names
_COLUMNS: Final = ", ".join(f'"{name}"' for name in _NAMES)
_KEY: Final = ", ".join(TABLES["ignored"].key)
_ROWS_A_BATCH: Final = 100_000


def make_tables(con: duckdb.DuckDBPyConnection) -> None:
    """Make `run_ignored` and `run_ignored_files`, and `current_ignored`: the ledger's rows as they are now.

    `base_ignored` is attached.
    """
    con.execute(f"create or replace temp table run_ignored as {TABLES['ignored'].empty_select()}")
    con.execute("create or replace temp table run_ignored_files (sha varchar)")
    con.execute(
        f"create or replace temp view current_ignored as select {_COLUMNS} from base_ignored "
        "where source_file_sha256 not in (select sha from run_ignored_files) "
        f"union all select {_COLUMNS} from run_ignored"
    )


def _any(con: duckdb.DuckDBPyConnection, select: str) -> bool:
    return bool(con.execute(f"{select} limit 1").fetchall())


def ignored_select(
    con: duckdb.DuckDBPyConnection, account: Account, src: int, lists: SiteLists, ingest_id: str
) -> str | None:
    """Return the SELECT of one source's ignored records that have a number; None where there are none.

    Columns are those of `ignored`; a record may stand several times, and may stand in the ledger already.
    A time that a zone repeats or skips counts as before the change: nothing but order hangs on it here.
    """
    n, told = account.name, account.sources[src]
    if not _any(con, f"select 1 from {n}_events where src = {src} and numbered"):
        return None
    # a record that waits has its number there
    con.execute(
        f"create or replace temp table {n}_numbered as select file_no, record, place, device_time "
        f"from {n}_events e where src = {src} and numbered "
        f"and not exists (select 1 from {n}_waiting w where w.file_no = e.file_no and w.record = e.record)"
    )
    joins = [
        f"semi join {n}_numbered i on i.file_no = t.file_no and i.record = t.record "
        "and i.place = t.record_place",
        f"join {n}_files f on f.file_no = t.file_no",
    ]
    placed = "t.instant"
    if told.zone is not None:
        years = con.execute(f"select distinct year(device_time) from {n}_numbered").fetchall()
        shifts = f"{n}_shifts"
        if times.register_shifts(con, shifts, [told.zone], [row[0] for row in years]):
            joins.append(
                f"left join {shifts} z on t.device_time >= z.shift_start and t.device_time < z.shift_end "
                "and t.offset_s is null"
            )
            placed = "coalesce((t.device_time - to_seconds(z.before_s)) at time zone 'UTC', t.instant)"
    if told.multiple:
        # a record that gives events beside has its number there too
        joins.append(
            f"anti join (select e.file_no, e.record, e.pump_id, e.sequence from {told.typed} e "
            f"semi join {n}_numbered i on i.file_no = e.file_no and i.record = e.record "
            "where e.ignored is null) e on e.file_no = t.file_no and e.record = t.record "
            "and e.pump_id = t.pump_id and e.sequence = t.sequence"
        )
    clock_joins, offset = clock_sql(lists)
    joins += clock_joins
    special = {
        "source_file_sha256": "f.sha",
        "ingest_id": quoted(ingest_id),
        "occurred_at": corrected_sql(placed, offset),
        "reason": "t.ignored",
        "month": f"strftime(make_timestamp(epoch_us({placed})), '%Y-%m')",
    }
    columns = ", ".join(f'{special.get(name, "t." + name)} as "{name}"' for name in _NAMES)
    # said again, so that rows that give events are dropped before anything is worked out for them
    return f"select {columns} from {told.typed} t {' '.join(joins)} where t.ignored is not null"


def append_new(
    con: duckdb.DuckDBPyConnection, writer: Writer, account: Account, lists: SiteLists, ingest_id: str
) -> None:
    """Append the numbers of ignored records that the ledger does not hold yet."""
    for src in account.sources:
        select = ignored_select(con, account, src, lists, ingest_id)
        if select is None:
            continue
        con.execute(f"create or replace temp table new_ignored as select {_COLUMNS} from ({select})")
        _leave_one_of_each(con)
        months = [r[0] for r in con.execute("select distinct month from new_ignored order by 1").fetchall()]
        listed = ", ".join(quoted(month) for month in months) or "''"
        con.execute(
            "delete from new_ignored where rowid in (select n.rowid from new_ignored n semi join "
            f"(select {_KEY} from current_ignored where month in ({listed})) k using ({_KEY}))"
        )
        if _any(con, "select 1 from new_ignored"):
            writer.append("ignored", _by_month(con, months))
        con.execute("drop table new_ignored")


def _by_month(con: duckdb.DuckDBPyConnection, months: list[str]) -> pa.RecordBatchReader:
    """Return the rows of `new_ignored` in order, sorted a month at a time: one sort would hold them all."""

    def of(month: str) -> pa.RecordBatchReader:
        rows = con.sql(f"select * from new_ignored where month = {quoted(month)} order by {_KEY}")
        return rows.to_arrow_reader(_ROWS_A_BATCH)

    schema = con.sql("select * from new_ignored limit 0").to_arrow_table().schema
    batches = (batch for month in months for batch in of(month))
    return pa.RecordBatchReader.from_batches(schema, batches)


def _leave_one_of_each(con: duckdb.DuckDBPyConnection) -> None:
    """Leave of rows of `new_ignored` with the same key the first, by file and record.

    Numbering all rows would hold all of them, as wide as they are; hardly any key stands twice.
    """
    con.execute(
        "create or replace temp table ignored_again as "
        f"select {_KEY} from new_ignored group by {_KEY} having count(*) > 1"
    )
    if _any(con, "select 1 from ignored_again"):
        con.execute(
            "delete from new_ignored where rowid in (select n.rowid from new_ignored n "
            f"semi join ignored_again a using ({_KEY}) qualify row_number() over (partition by {_KEY} "
            "order by source_file_sha256, source_record) > 1)"
        )
    con.execute("drop table ignored_again")


def derive_again(con: duckdb.DuckDBPyConnection, account: Account, lists: SiteLists, name: str) -> None:
    """Put the rows that a source's files give now into `run_ignored`, in the place of those that they gave.

    Parameters
    ----------
    con
        Connection in which the ledger's tables stand as ``base_...``.
    account
        The files, read again under the mapping as it is now, as the account's source 0.
    lists
        Which of the site's lists are filled.
    name
        The source.
    """
    source = quoted(name)
    select = ignored_select(con, account, 0, lists, "")
    if select is None:
        if not _any(con, f"select 1 from base_ignored where source_name = {source}"):
            return
        select = TABLES["ignored"].empty_select()
    con.executemany(
        "insert into run_ignored_files values (?)",
        [[account.files[number].original.sha256] for number in sorted(account.files)],
    )
    picks = ", ".join(
        'coalesce(b.ingest_id, i.ingest_id) as "ingest_id"' if c == "ingest_id" else f'd."{c}"'
        for c in _NAMES
    )
    # what waits by the ledger has its number there
    con.execute(
        f"insert into run_ignored select {_COLUMNS} from (select {picks}, b.source_record is null as is_new "
        f"from ({select}) d "
        f"anti join (select * from base_quarantined where source_name = {source}) q on "
        "q.source_file_sha256 = d.source_file_sha256 and q.source_record = d.source_record "
        "left join (select distinct source_file_sha256, source_record, ingest_id from base_ignored "
        f"where source_name = {source}) b on b.source_file_sha256 = d.source_file_sha256 "
        "and b.source_record = d.source_record "
        "left join (select source_file_sha256, min(ingest_id) as ingest_id from base_ingests group by all) i "
        "on i.source_file_sha256 = d.source_file_sha256) qualify row_number() over "
        f"(partition by {_KEY} order by is_new, ingest_id, source_file_sha256, source_record) = 1"
    )
    con.execute(
        f"delete from run_ignored where source_name = {source} and ({_KEY}) in (select ({_KEY}) from "
        "base_ignored where source_file_sha256 not in (select sha from run_ignored_files))"
    )


def read_again(con: duckdb.DuckDBPyConnection, account: Account, lists: SiteLists, ingest_id: str) -> None:
    """Put the numbers that an account's source 0 gives, and the ledger lacks, into `run_ignored`."""
    select = ignored_select(con, account, 0, lists, ingest_id)
    if select is not None:
        con.execute(
            f"insert into run_ignored select {_COLUMNS} from ({select}) n anti join current_ignored k using "
            f"({_KEY}) qualify row_number() over (partition by {_KEY} order by source_file_sha256, "
            "source_record) = 1"
        )


def write_changed(con: duckdb.DuckDBPyConnection, writer: Writer) -> None:
    """Write the months whose rows derivation changed, and note their pumps in `run_touched`."""
    if not _any(con, "select 1 from run_ignored_files"):
        return
    before = (
        f"select {_COLUMNS} from base_ignored where source_file_sha256 in (select sha from run_ignored_files)"
    )
    after = f"select {_COLUMNS} from run_ignored"
    con.execute(
        "create or replace temp table run_ignored_changed as "
        f"(({before}) except all ({after})) union all (({after}) except all ({before}))"
    )
    con.execute("insert into run_touched select distinct facility, pump_id, null from run_ignored_changed")
    months = [
        r[0] for r in con.execute("select distinct month from run_ignored_changed order by 1").fetchall()
    ]
    con.execute("drop table run_ignored_changed")
    if not months:
        return
    listed = ", ".join(quoted(month) for month in months)
    reader = con.sql(
        f"select * from current_ignored where month in ({listed}) order by month, {_KEY}"
    ).to_arrow_reader(_ROWS_A_BATCH)
    writer.replace("ignored", months, reader)
