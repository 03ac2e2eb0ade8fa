"""The fate of every record of a source, decided again from what its files give under the mended mapping.

A record that waits goes on waiting until it is tried again by name. One that was kept and can no longer be
read, or that would now contradict another, keeps the events that it had. All others follow the mapping: an
event that nothing gives any more goes, one that a record gives now comes, and a record that carried no event
and now cannot be read begins to wait.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from dripledger.events import checks
from dripledger.events.final import quarantined_select
from dripledger.schema import TABLES
from dripledger.sources.staging import quoted

if TYPE_CHECKING:
    from dripledger.events.account import Account
    from dripledger.events.run import Run

#: The place of a record, in the ledger and in what is made from it.
_PLACE: Final = "source_file_sha256, source_record"


@dataclass(frozen=True)
class Fates:
    """The balance of one file after its records were judged again; the same names as in `ingests`."""

    events_kept: int
    duplicates: int
    quarantined: int
    rows_ignored: int
    events: int


def judge(run: Run, account: Account, name: str, derived: str) -> dict[str, Fates]:
    """Decide the fate of every record; make `again`, the source's events now, and add to `run_waiting`.

    Parameters
    ----------
    run
        The run; the ledger's tables stand as ``base_...``.
    account
        The source's files in the order in which the ledger took them, read again as the account's source 0.
    name
        The source.
    derived
        Relation with the events that the files give now, duplicates among them.

    Returns
    -------
    dict of str to Fates
        SHA-256 of a file -> its balance.
    """
    _make_places(run, account, name)
    _judge_meetings(run, account, derived)
    _make_again(run, derived)
    _begin_to_wait(run, account)
    return _balances(run, account)


def _make_places(run: Run, account: Account, name: str) -> None:
    """Make the tables of records: what the ledger keeps and lets wait, and what cannot be read now."""
    con, n, source = run.con, account.name, quoted(name)
    con.execute(
        "create or replace temp table fate_files as select f.file_no, f.sha, i.ingest_id, i.rows_read, "
        f"i.rows_ignored from {n}_files f join (select source_file_sha256 as sha, min(ingest_id) as "
        "ingest_id, max(rows_read) as rows_read, max(rows_ignored) as rows_ignored from base_ingests "
        f"where source_name = {source} group by all) i using (sha)"
    )
    con.execute(
        f"create or replace temp table fate_kept as select {_PLACE}, min(ingest_id) as ingest_id "
        f"from base_events where source_name = {source} and source_file_sha256 in (select sha from "
        "fate_files) group by all"
    )
    con.execute(
        f"create or replace temp table fate_waits as select {_PLACE} from base_quarantined "
        f"where source_name = {source}"
    )
    con.execute(
        "create or replace temp table fate_unread as select distinct f.sha as source_file_sha256, "
        f"w.record as source_record from {n}_waiting w join fate_files f using (file_no)"
    )
    # these keep the events that they had
    con.execute(
        "create or replace temp table fate_unmoved as select * from fate_unread semi join fate_kept using "
        f"({_PLACE})"
    )


def _judge_meetings(run: Run, account: Account, derived: str) -> None:
    """Find which record an event belongs to where several give it, and which contradict one another."""
    con = run.con
    ordered = str(account.sources[0].mapping.file_order).lower()
    con.execute(
        "create or replace temp table fate_given as select d.event_id, d.values_digest, "
        "d.source_file_sha256, d.source_record, d.record_place, f.file_no, k.ingest_id is not null as kept, "
        "w.source_record is not null as waits, "
        "coalesce(o.source_file_sha256 = d.source_file_sha256 and o.source_record = d.source_record, false) "
        "as owned, o.event_id is not null and (o.source_file_sha256 not in (select sha from fate_files) or "
        "u.source_record is not null) as held, o.values_digest as held_digest "
        f"from {derived} d join fate_files f on f.sha = d.source_file_sha256 "
        f"left join fate_kept k using ({_PLACE}) left join fate_waits w using ({_PLACE}) "
        f"left join (select event_id, values_digest, {_PLACE} from base_events) o on o.event_id = d.event_id "
        "left join fate_unmoved u on u.source_file_sha256 = o.source_file_sha256 and u.source_record = "
        "o.source_record"
    )
    con.execute(
        "create or replace temp table fate_conflicts as select distinct source_file_sha256, source_record, "
        "file_no, kept, reason from (select *, case "
        "when held then case when held_digest <> values_digest then 'conflicts_with_kept' end "
        "when low = high then null "
        f"when first_kept or {ordered} then case when first_digest <> values_digest then "
        "'conflicts_with_kept' end "
        "else 'conflicts_in_ingest' end as reason from (select *, min(values_digest) over every as low, "
        "max(values_digest) over every as high, first_value(values_digest) over firsts as first_digest, "
        "first_value(kept) over firsts as first_kept from fate_given where not waits window "
        "every as (partition by event_id), firsts as (partition by event_id order by owned desc, kept desc, "
        "file_no, source_record, record_place))) where reason is not null"
    )
    con.execute(f"insert into fate_unmoved select distinct {_PLACE} from fate_conflicts where kept")


def _make_again(run: Run, derived: str) -> None:
    """Make `again`: the events of the files from now on, each under the record that it belongs to."""
    con, names = run.con, TABLES["events"].names
    con.execute(
        "create or replace temp table fate_owned as select event_id, source_file_sha256, source_record, "
        f"record_place from fate_given anti join fate_conflicts using ({_PLACE}) where not waits and not "
        "held and event_id not in (select event_id from base_events semi join fate_unmoved using "
        f"({_PLACE})) "
        # the copy of a record that waits is its duplicate, and comes with it
        "and (kept or event_id not in (select event_id from fate_given where waits)) "
        "qualify row_number() over (partition by event_id order by owned desc, kept desc, file_no, "
        "source_record, record_place) = 1"
    )
    columns = ", ".join(
        'coalesce(k.ingest_id, f.ingest_id) as "ingest_id"' if c == "ingest_id" else f'd."{c}"' for c in names
    )
    kept = ", ".join(f'b."{c}"' for c in names)
    con.execute(
        f"create or replace temp view again as select {columns} from {derived} d semi join fate_owned o on "
        "o.event_id = d.event_id and o.source_file_sha256 = d.source_file_sha256 and o.source_record = "
        "d.source_record and o.record_place = d.record_place join fate_files f on f.sha = "
        f"d.source_file_sha256 left join fate_kept k on k.source_file_sha256 = d.source_file_sha256 and "
        f"k.source_record = d.source_record union all select {kept} from base_events b semi join "
        f"fate_unmoved u on u.source_file_sha256 = b.source_file_sha256 and u.source_record = b.source_record"
    )


def _begin_to_wait(run: Run, account: Account) -> None:
    """Let records wait that carried no event, and now cannot be read or contradict what is kept."""
    con, n = run.con, account.name
    order = {c.name: place for place, c in enumerate(checks.CHECKS)}
    # a file without ignored records: what is neither kept nor waits there is a duplicate, and stays one
    stays = (
        f"(select {_PLACE} from fate_kept union select {_PLACE} from fate_waits union select f.sha, "
        f"w.record from {n}_waiting w join fate_files f using (file_no) where f.rows_ignored = 0)"
    )
    con.execute(
        f"insert into {n}_waiting select 0, file_no, source_record, reason, case reason "
        + "".join(f"when '{r}' then {order[r]} " for r in ("conflicts_with_kept", "conflicts_in_ingest"))
        + "end, null from fate_conflicts where not kept"
    )
    con.execute(
        f"create or replace temp table fate_begins as select w.* from {n}_waiting w join fate_files f "
        f"using (file_no) where (f.sha, w.record) not in {stays}"
    )
    con.execute(f"create or replace temp table {n}_waiting as select * from fate_begins")
    if not con.execute(f"select 1 from {n}_waiting limit 1").fetchall():
        con.execute("create or replace temp table fate_new_waits as select * from run_waiting where false")
        return
    account.waiting_bytes("base_quarantined")
    picks = ", ".join(
        'f.ingest_id as "ingest_id"' if c == "ingest_id" else f'q."{c}"' for c in TABLES["quarantined"].names
    )
    con.execute(
        f"create or replace temp table fate_new_waits as select {picks} from "
        f"({quarantined_select(account, 0, '')}) q join fate_files f on f.sha = q.source_file_sha256"
    )
    con.execute("insert into run_waiting select * from fate_new_waits")


def _balances(run: Run, account: Account) -> dict[str, Fates]:
    con, n = run.con, account.name
    rows = con.execute(
        "select f.sha, f.rows_read, coalesce(k.records, 0), coalesce(k.events, 0), "
        "coalesce(w.waits, 0), coalesce(i.ignored, 0) from fate_files f "
        "left join (select source_file_sha256 as sha, count(distinct source_record) as records, "
        "count(*) as events from again group by all) k using (sha) "
        "left join (select source_file_sha256 as sha, count(*) as waits from ("
        "select source_file_sha256 from fate_waits union all select source_file_sha256 from fate_new_waits) "
        "group by all) w using (sha) "
        "left join (select f.sha, count(*) as ignored from (select file_no, record from "
        f"{n}_events group by all having bool_and(ignored)) e join fate_files f using (file_no) "
        f"where (f.sha, e.record) not in (select ({_PLACE}) from fate_waits) "
        f"and (f.sha, e.record) not in (select ({_PLACE}) from fate_unread) group by all) i using (sha) "
        "order by f.sha"
    ).fetchall()
    return {
        sha: Fates(kept, read - kept - waits - ignored, waits, ignored, events)
        for sha, read, kept, events, waits, ignored in rows
    }


def close(run: Run) -> None:
    """Give back what the tables hold."""
    for table in (
        "files", "kept", "waits", "unread", "unmoved", "given", "conflicts", "owned", "begins", "new_waits"
    ):  # fmt: skip
        run.con.execute(f"drop table if exists fate_{table}")
