"""Every record accounted for: which are kept, known already, waiting, or ignored, and which events are new.

A hash of 64 bits over what an identity is made of only picks the candidates that could meet; whether they do
is decided on the whole identity and the values.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import duckdb
import numpy as np
import pyarrow as pa

from dripledger.events import checks
from dripledger.events.identity import digest_sql, identity_sql, meeting_key
from dripledger.events.translation import Translation
from dripledger.sources.originals import read_records
from dripledger.sources.staging import SourceFile, quoted, splitter_of

#: Keys that are sorted in memory at once: 128 MB of them.
_SORTED_AT_ONCE: Final = 16_000_000
#: SQL over `typed`: the row is ignored, and pump, number and time can be read.
NUMBERED = (
    "(ignored is not null and pump_id is not null and sequence is not null and coalesce(placed and "
    "device_time >= timestamp '1900-01-01' and device_time < timestamp '2301-01-01', false))"
)


@dataclass
class Account:
    """The accounts of one run over some files.

    Parameters
    ----------
    con
        Connection.
    name
        Prefix of its tables: ``{name}_events`` and so on.
    files
        File number -> file.
    """

    con: duckdb.DuckDBPyConnection
    name: str
    files: dict[int, SourceFile] = field(default_factory=dict)
    sources: dict[int, Translation] = field(default_factory=dict)
    source_of: dict[int, int] = field(default_factory=dict)

    def open(self) -> None:
        """Make the empty tables."""
        n = self.name
        self.con.execute(
            f"create or replace temp table {n}_events (src smallint, file_no integer, record bigint, "
            "place bigint, h ubigint, device_time timestamp, counted boolean, bad boolean, ignored boolean, "
            "numbered boolean)"
        )
        self.con.execute(
            f"create or replace temp table {n}_ordinals (file_no integer, record bigint, place bigint, "
            "ordinal bigint)"
        )
        self.con.execute(
            f"create or replace temp table {n}_waiting (src smallint, file_no integer, record bigint, "
            "reason varchar, rank integer, detail varchar)"
        )
        self.con.execute(
            f"create or replace temp table {n}_dropped (file_no integer, record bigint, place bigint)"
        )
        self.con.execute(
            f"create or replace temp table {n}_files (file_no integer, src smallint, sha varchar, "
            "records bigint)"
        )

    def close(self) -> None:
        """Give back what the large tables hold."""
        for table in ("events", "keys", "meeting", "met", "judged"):
            self.con.execute(f"drop table if exists {self.name}_{table}")

    def add(
        self,
        src: int,
        told: Translation,
        files: Sequence[SourceFile],
        tried: Mapping[int, int] | None = None,
    ) -> None:
        """Take in the events of one source.

        Parameters
        ----------
        src
            Number of the source in this run.
        told
            Its relations.
        files
            Its files; those that cannot be read are left out.
        tried
            File number -> records, where only some records of a file were staged.
        """
        con, n = self.con, self.name
        self.sources[src] = told
        lost = told.staged.failures
        files = [f for f in files if f.number not in lost]
        self.files.update({f.number: f for f in files})
        self.source_of.update({f.number: src for f in files})
        rows = [
            [f.number, src, f.original.sha256, f.original.records if tried is None else tried[f.number]]
            for f in files
        ]
        if rows:
            con.executemany(f"insert into {n}_files values (?, ?, ?, ?)", rows)
        con.execute(
            f"insert into {n}_events select {src}, file_no, record, record_place, "
            f"{meeting_key(own_identity=told.mapping.identity is not None)}, device_time, counted, "
            f"ignored is null and ({checks.any_of('unreadable')}), ignored is not null, {NUMBERED} "
            f"from {told.typed} t"
        )
        if told.staged.unsplit:
            order = {c.name: place for place, c in enumerate(checks.CHECKS)}
            con.register(
                "unsplit_rows",
                pa.table({
                    "file_no": pa.array([r[0] for r in told.staged.unsplit], pa.int32()),
                    "record": pa.array([r[1] for r in told.staged.unsplit], pa.int64()),
                    "reason": pa.array([r[2] for r in told.staged.unsplit], pa.string()),
                    "rank": pa.array([order[r[2]] for r in told.staged.unsplit], pa.int32()),
                }),
            )  # fmt: skip
            con.execute(
                f"insert into {n}_waiting select {src}, file_no, record, reason, rank, null from unsplit_rows"
            )
            con.unregister("unsplit_rows")
        self._ordinals(src, told)
        self._unreadable(src, told)

    def _ordinals(self, src: int, told: Translation) -> None:
        """Tell records apart that are identical in one file and have neither sequence nor record_id.

        In a list of events also those that differ in values: a conflict of two would hold back the list.
        """
        con, n = self.con, self.name
        values = "" if told.mapping.each else ", t.values_text"
        con.execute(
            f"create or replace temp table {n}_alike as select file_no, record, place from {n}_events e "
            f"where src = {src} and counted and not bad and not ignored and (file_no, h) in "
            f"(select (file_no, h) from {n}_events where src = {src} and counted and not bad and not ignored "
            "group by file_no, h having count(*) > 1)"
        )
        if not self._count(f"{n}_alike"):
            return
        con.execute(
            f"insert into {n}_ordinals select file_no, record, record_place, ordinal from ("
            "select t.file_no, t.record, t.record_place, row_number() over (partition by t.file_no, "
            f"t.identity_text{values} order by t.record, t.record_place) - 1 as ordinal "
            f"from {told.typed} t join {n}_alike a on a.file_no = t.file_no and a.record = t.record "
            "and a.place = t.record_place where t.ignored is null) where ordinal > 0"
        )

    def _unreadable(self, src: int, told: Translation) -> None:
        """List every reason of the records that cannot be read; only these pay for the list."""
        con, n = self.con, self.name
        if not self._scalar(f"select count(*) from {n}_events where src = {src} and bad"):
            return
        order = ", ".join(f"'{c.name}'" for c in checks.CHECKS)
        con.execute(
            f"insert into {n}_waiting select {src}, file_no, record, reason, "
            f"list_position([{order}], reason) - 1, nullif(string_agg(distinct detail, ', '), '') from ("
            f"select t.file_no, t.record, unnest({checks.names_of('unreadable')}) as reason, "
            "unnest(list_transform({names}, lambda x: case when x = 'not_a_number' then "
            "array_to_string(t.bad_number_columns, ', ') end)) as detail ".replace(
                "{names}", checks.names_of("unreadable")
            )
            + f"from {told.typed} t semi join "
            f"(select file_no, record from {n}_events where src = {src} and bad) b "
            "on b.file_no = t.file_no and b.record = t.record where t.ignored is null) "
            "group by file_no, record, reason"
        )

    def live(self) -> None:
        """Make the relation of events that nothing is wrong with so far."""
        n = self.name
        self.con.execute(
            # measured: the same asked by `not exists` costs a hundred times as much where nothing waits
            f"create or replace temp view {n}_live as select e.* from {n}_events e anti join {n}_waiting w "
            "on w.file_no = e.file_no and w.record = e.record where not e.bad and not e.ignored"
        )

    def compare(self, known: str | None) -> None:
        """Find duplicates and conflicts, among themselves and with what the ledger holds.

        Parameters
        ----------
        known
            Relation with event_id, values_digest and h (`ledger_key`) of the ledger's events that these
            could meet; None: none.
        """
        con, n = self.con, self.name
        self.live()
        self._repeated_keys()
        if known is not None:
            con.execute(f"insert into {n}_keys select h from {known} where h in (select h from {n}_live)")
        con.execute(
            f"create or replace temp table {n}_meeting as select src, file_no, record, place, h "
            f"from {n}_live "
            + (f"where h in (select h from {n}_keys)" if self._count(f"{n}_keys") else "limit 0")
        )
        if not self._count(f"{n}_meeting"):
            return
        con.execute(
            f"create or replace temp table {n}_met (src smallint, file_no integer, record bigint, place "
            "bigint, "
            "file_order boolean, event_id varchar, values_digest bigint)"
        )
        for src, told in self.sources.items():
            con.execute(
                f"insert into {n}_met select {src}, t.file_no, t.record, t.record_place, "
                f"{str(told.mapping.file_order).lower()}, md5({identity_sql('coalesce(o.ordinal, 0)')}), "
                f"{digest_sql()} from {told.typed} t join {n}_meeting m on m.file_no = t.file_no "
                f"and m.record = t.record and m.place = t.record_place left join {n}_ordinals o on "
                "o.file_no = t.file_no and o.record = t.record and o.place = t.record_place "
                f"where m.src = {src}"
            )
        source = (
            f"{n}_met m left join (select null::varchar as event_id, null::varchar as values_digest where "
            "false) k "
            if known is None
            else f"{n}_met m left join (select event_id, values_digest from {known}) k "
        )
        con.execute(
            f"create or replace temp table {n}_judged as select m.*, k.values_digest as kept_digest, "
            "first_value(m.values_digest) over same as first_digest, "
            "min(m.values_digest) over every as low_digest, max(m.values_digest) over every as high_digest, "
            "bool_and(m.file_order) over every as ordered "
            f"from {source} on k.event_id = m.event_id window "
            "same as (partition by m.event_id order by m.file_no, m.record, m.place), "
            "every as (partition by m.event_id)"
        )
        order = {c.name: place for place, c in enumerate(checks.CHECKS)}
        con.execute(
            f"insert into {n}_waiting select distinct src, file_no, record, reason, case reason "
            f"when 'conflicts_with_kept' then {order['conflicts_with_kept']} "
            f"else {order['conflicts_in_ingest']} end, null from (select src, file_no, record, case "
            "when kept_digest is not null then case when kept_digest <> values_digest then "
            "'conflicts_with_kept' end "
            "when low_digest = high_digest then null "
            "when ordered then case when first_digest <> values_digest then 'conflicts_with_kept' end "
            f"else 'conflicts_in_ingest' end as reason from {n}_judged) where reason is not null"
        )
        con.execute(
            f"insert into {n}_dropped select file_no, record, place from (select file_no, record, place, "
            "kept_digest is not null or row_number() over (partition by event_id order by file_no, record, "
            "place) > 1 "
            f"as known from {n}_judged j where not exists (select 1 from {n}_waiting w where "
            "w.file_no = j.file_no and w.record = j.record)) where known"
        )

    def _repeated_keys(self) -> None:
        """List the keys that stand more than once; sorting them costs a third of grouping by them."""
        con, n = self.con, self.name
        con.execute(f"create or replace temp table {n}_keys (h ubigint)")
        parts = self._count(f"{n}_live") // _SORTED_AT_ONCE + 1
        for part in range(parts):
            keys = con.execute(f"select h from {n}_live where h % {parts} = {part}").fetchnumpy()["h"]
            keys = np.sort(np.asarray(keys))
            repeated = keys[1:][keys[1:] == keys[:-1]]
            if len(repeated):
                # masked arrays, which nothing else needs, are imported with it
                repeated = np.unique(repeated)
                con.register("repeated_keys", pa.table({"h": repeated}))
                con.execute(f"insert into {n}_keys select h from repeated_keys")
                con.unregister("repeated_keys")

    def waiting_bytes(self, base_waiting: str | None) -> None:
        """Read the bytes of the records that wait; make `{name}_quarantine`, one row a record.

        Parameters
        ----------
        base_waiting
            Relation of (source_name, record_md5) that wait in the ledger already: the same bytes of the same
            source are a duplicate. None: nothing waits.
        """
        con, n = self.con, self.name
        wanted = con.execute(
            f"select file_no, list(distinct record) from {n}_waiting group by file_no order by file_no"
        ).fetchall()
        columns: dict[str, list[object]] = {k: [] for k in ("file_no", "record", "md5", "offset", "length")}
        for file_no, records in wanted:
            file = self.files[file_no]
            splitter = splitter_of(self.sources[self.source_of[file_no]].mapping)
            for told in read_records(file.original, splitter, records):
                digest = hashlib.md5(told.data, usedforsecurity=False).hexdigest()
                values = (file_no, told.number, digest, told.offset, told.length)
                for key, value in zip(columns, values, strict=True):
                    columns[key].append(value)
        con.register(
            "waiting_bytes",
            pa.table({
                "file_no": pa.array(columns["file_no"], pa.int32()),
                "record": pa.array(columns["record"], pa.int64()),
                "md5": pa.array(columns["md5"], pa.string()),
                "byte_offset": pa.array(columns["offset"], pa.int64()),
                "byte_length": pa.array(columns["length"], pa.int64()),
            }),
        )  # fmt: skip
        names = ", ".join(f"({src}, {quoted(t.mapping.name)})" for src, t in self.sources.items())
        again = "false" if base_waiting is None else (
            f"exists (select 1 from {base_waiting} k where k.source_name = s.source_name and "
            "k.record_md5 = b.md5)"
        )  # fmt: skip
        con.execute(
            f"create or replace temp table {n}_quarantine as select w.src, w.file_no, w.record, w.reasons, "
            "w.details, s.source_name, b.md5, b.byte_offset, b.byte_length, "
            f"{again} or row_number() over (partition by s.source_name, b.md5 order by w.file_no, "
            "w.record) > 1 "
            "as waits_already from (select src, file_no, record, list(reason order by rank) as reasons, "
            f"list(detail order by rank) as details from {n}_waiting group by all) w "
            "join waiting_bytes b on b.file_no = w.file_no and b.record = w.record "
            f"join (select * from (values {names or '(0, null)'}) v(src, source_name)) s on s.src = w.src"
        )
        con.unregister("waiting_bytes")

    def balance(self) -> dict[int, dict[str, int]]:
        """Return, for each file, how many records (and events) met which fate."""
        con, n = self.con, self.name
        counts: dict[int, dict[str, int]] = {}
        for number, records in con.execute(f"select file_no, records from {n}_files").fetchall():
            counts[number] = {
                "rows_read": records, "events_kept": 0, "duplicates": 0, "quarantined": 0, "rows_ignored": 0,
                "events": 0,
            }  # fmt: skip
        for number, waits, known in con.execute(
            f"select file_no, count(*) filter (not waits_already), count(*) filter (waits_already) "
            f"from {n}_quarantine group by file_no"
        ).fetchall():
            counts[number]["quarantined"] += waits
            counts[number]["duplicates"] += known
        dropped = (
            f"exists (select 1 from {n}_dropped d where d.file_no = e.file_no and d.record = e.record "
            "and d.place = e.place)"
        )
        any_dropped = bool(self._count(f"{n}_dropped"))
        event = (
            f"case when ignored then 'ignored' when {dropped if any_dropped else 'false'} then "
            "'known' else 'new' end"
        )
        many = {src for src, told in self.sources.items() if told.multiple}
        for src in self.sources:
            state = (
                f"select e.file_no, e.record, {event} as fate from {n}_events e anti join {n}_waiting w on "
                f"w.file_no = e.file_no and w.record = e.record where e.src = {src} and not bad"
            )
            if src in many:
                state = (
                    "select file_no, record, case when bool_or(fate = 'new') then 'new' "
                    "when bool_or(fate = 'known') then 'known' else 'ignored' end as fate, "
                    f"count(*) filter (fate = 'new') as events from ({state}) group by file_no, record"
                )
            else:
                state = f"select *, case when fate = 'new' then 1 else 0 end as events from ({state})"
            for number, fate, records, events in con.execute(
                f"select file_no, fate, count(*), cast(sum(events) as bigint) from ({state}) group by all"
            ).fetchall():
                key = {"new": "events_kept", "known": "duplicates", "ignored": "rows_ignored"}[fate]
                counts[number][key] += records
                counts[number]["events"] += events
        for number, told in counts.items():
            total = told["events_kept"] + told["duplicates"] + told["quarantined"] + told["rows_ignored"]
            if total != told["rows_read"]:
                raise AssertionError(
                    f"the ledger does not balance for {self.files[number].shown}: {json.dumps(told)}"
                )
        return counts

    def months(self) -> list[str]:
        """Return the months that the live events can lie in, whatever their zone."""
        rows = self.con.execute(
            "select distinct strftime(m, '%Y-%m') from (select unnest([d - interval 1 day, d + interval "
            "1 day]) as m "
            f"from (select distinct date_trunc('day', device_time) as d from {self.name}_events "
            "where not bad and not ignored and device_time is not null)) order by 1"
        ).fetchall()
        return [row[0] for row in rows]

    def _count(self, table: str) -> int:
        return int(self._scalar(f"select count(*) from {table}"))

    def _scalar(self, sql: str) -> int:
        value = self.con.execute(sql).fetchall()[0][0]
        return 0 if value is None else int(value)
