"""The last step of translation: rows with every column of `events`, and rows of `quarantined`."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Final

import duckdb
import pyarrow as pa

from dripledger.engine import read_ahead
from dripledger.events import checks, times
from dripledger.events.account import Account
from dripledger.events.identity import digest_sql, identity_sql
from dripledger.events.lists import SiteLists
from dripledger.schema import TABLES
from dripledger.sources.staging import quoted

_BATCH_ROWS: Final = 50_000
#: Rows of `quarantined` that are in memory at a time: each carries its record, field by field, as text.
WAITING_BATCH_ROWS: Final = 10_000


def clock_sql(lists: SiteLists) -> tuple[list[str], str]:
    """Return joins, and SQL of the seconds that a pump's clock is ahead (over `typed` as ``t``)."""
    if not lists.clocks:
        return [], "0::double"
    join = (
        "left join site_clocks c on c.pump = t.pump_id and t.device_time >= c.clock_from "
        "and t.device_time < c.clock_to"
    )
    return [join], "coalesce(c.offset_s, 0)"


def corrected_sql(placed: str, offset_s: str) -> str:
    """Return SQL of an instant, corrected for the clock's error."""
    # plain arithmetic: an interval goes through the engine's calendar, which is forty times dearer
    return f"make_timestamptz(epoch_us({placed}) - cast(round({offset_s} * 1e6) as bigint))"


def events_select(
    con: duckdb.DuckDBPyConnection, account: Account, src: int, lists: SiteLists, ingest_id: str
) -> str:
    """Return the SELECT of the new events of one source, with the columns of `events` in order.

    The account has been compared; `{name}_settled` holds the events inside a repeated or skipped hour.
    """
    n, told = account.name, account.sources[src]

    def filled(table: str) -> bool:
        return bool(con.execute(f"select count(*) from (select 1 from {n}_{table} limit 1)").fetchall()[0][0])

    joins = [f"join {n}_files f on f.file_no = t.file_no"]
    where = ["t.ignored is null"]
    same = "{a}.file_no = t.file_no and {a}.record = t.record and {a}.place = t.record_place"
    ordinal = "0"
    if filled("ordinals"):
        joins.append(f"left join {n}_ordinals o on {same.format(a='o')}")
        ordinal = "coalesce(o.ordinal, 0)"
    placed, quality = _instant(con, account, src), "'exact'"
    if filled("settled"):
        joins.append(f"left join {n}_settled z on {same.format(a='z')}")
        placed, quality = f"coalesce(z.settled_at, {placed})", "coalesce(z.quality, 'exact')"
    if filled("waiting"):
        joins.append(
            f"anti join (select distinct file_no, record from {n}_waiting) w "
            "on w.file_no = t.file_no and w.record = t.record"
        )
    if filled("dropped"):
        joins.append(f"anti join {n}_dropped d on {same.format(a='d')}")
    clock_joins, offset = clock_sql(lists)
    joins += clock_joins
    source, rank = told.typed, "null::bigint"
    if told.mapping.file_order:
        source = (
            "(select *, row_number() over (partition by file_no, pump_id, channel, "
            "date_trunc('second', device_time) order by record, record_place) - 1 as in_file_rank "
            f"from {told.typed} where ignored is null)"
        )
        rank = "t.in_file_rank"
    special = {
        "event_id": f"md5({identity_sql(ordinal)})",
        "values_digest": digest_sql(),
        "record_place": "t.own_place",
        "source_file_sha256": "f.sha",
        "ingest_id": quoted(ingest_id),
        "occurred_at": corrected_sql(placed, offset),
        "clock_offset_s": offset,
        "time_quality": f"case when {quality} = 'exact' and {offset} <> 0 then 'corrected' "
        f"else {quality} end",
        "file_rank": rank,
        "implausible": (
            f"case when {checks.any_of('implausible')} then {checks.names_of('implausible')} "
            "else []::varchar[] end"
        ),
        "month": f"strftime(make_timestamp(epoch_us({placed})), '%Y-%m')",
    }
    columns = ", ".join(f'{special.get(name, "t." + name)} as "{name}"' for name in TABLES["events"].names)
    select = f"select {columns} from {source} t {' '.join(joins)} where {' and '.join(where)}"
    if lists.service:
        names = ", ".join(
            "coalesce(sv.context, e.use_context) as use_context" if name == "use_context" else f'e."{name}"'
            for name in TABLES["events"].names
        )
        select = (
            f"select {names} from ({select}) e left join site_service sv on sv.pump = e.pump_id "
            "and e.occurred_at >= sv.from_at and e.occurred_at < sv.to_at"
        )
    return select


def _instant(con: duckdb.DuckDBPyConnection, account: Account, src: int) -> str:
    """Return SQL of the instant of the readings that these records have."""
    first, last = con.execute(
        f"select min(device_time), max(device_time) from {account.name}_events where src = {src} and not bad "
        "and not ignored"
    ).fetchall()[0]
    if first is None:
        return "t.instant"
    zone = account.sources[src].zone
    return times.near_instant_sql("t.device_time", "t.offset_s", zone, first, last)


def events_reader(
    con: duckdb.DuckDBPyConnection, account: Account, src: int, lists: SiteLists, ingest_id: str
) -> pa.RecordBatchReader:
    """Return the new events of one source as a stream.

    Columns that hold one value throughout are put in here: the engine would write each row out. Columns
    that this source never fills are left out; the store knows them as null.
    """
    told = account.sources[src]
    select = events_select(con, account, src, lists, ingest_id)
    settings = told.site.settings
    constant: dict[str, object] = {
        "facility": settings.facility,
        "source_name": told.mapping.name,
        "ingest_id": ingest_id,
        "sequence_reliable": told.mapping.sequence_reliable,
        "time_resolution_s": told.mapping.time.resolution_s,
    }
    files = [account.files[n] for n, owner in account.source_of.items() if owner == src]
    if len(files) == 1:
        constant["source_file_sha256"] = files[0].original.sha256
    never = set(told.never) - ({"use_context"} if lists.service else set())
    if not told.mapping.file_order:
        never.add("file_rank")
    varying = [n for n in TABLES["events"].names if n not in constant and n not in never]
    columns = ", ".join(f'"{name}"' for name in varying)
    stream = con.sql(f"select {columns} from ({select})").to_arrow_reader(_BATCH_ROWS)
    fields = {f.name: f for f in TABLES["events"].arrow_schema}
    told_once = {name: _once(value, fields[name].type) for name, value in constant.items()}
    schema = pa.schema(
        [*stream.schema, *(fields[name].with_type(one.type) for name, one in told_once.items())]
    )

    repeated: list[pa.Array] = []

    def batches() -> Iterator[pa.RecordBatch]:
        nonlocal repeated
        for batch in read_ahead(stream):
            if not repeated or len(repeated[0]) < batch.num_rows:
                repeated = [pa.repeat(one, batch.num_rows) for one in told_once.values()]
            added = [column.slice(0, batch.num_rows) for column in repeated]
            yield pa.RecordBatch.from_arrays([*batch.columns, *added], schema=schema)

    return pa.RecordBatchReader.from_batches(schema, batches())


def _once(value: object, kind: pa.DataType) -> pa.Scalar:
    """Return a value to repeat; text as a dictionary of one, so that a row costs a number and no copy."""
    if kind != pa.string():
        return pa.scalar(value, kind)
    return pa.DictionaryArray.from_arrays(pa.array([0], pa.int32()), pa.array([value], kind))[0]


def quarantined_select(account: Account, src: int, ingest_id: str) -> str:
    """Return the SELECT of one source's records that begin to wait, with the columns of `quarantined`."""
    n, told = account.name, account.sources[src]
    # staged values are masked or keyed already; only the fields that the mapping reads are shown
    pairs = ", ".join(f"{quoted(raw)}, t.{column}" for raw, column in told.staged.columns.items())
    shown = f"json_object({pairs})" if pairs else "'{}'::json"
    if told.mapping.each is not None:
        shown = f"to_json(list({shown} order by t.elem, t.place))"
    else:
        shown = f"first({shown} order by t.place)"
    sentences = json.dumps(checks.SENTENCES)
    seen = (
        f"select t.file_no, t.record, cast({shown} as varchar) as fields_json, "
        "first(t.facility order by t.record_place) as facility, min(t.pump_id) as pump_id, "
        "min(t.sequence) as sequence, min(t.device_time) as device_time "
        f"from {told.typed} t semi join {n}_quarantine q on q.file_no = t.file_no and q.record = t.record "
        "group by t.file_no, t.record"
    )
    explanation = (
        f"array_to_string(list_transform(q.reasons, lambda r, i: json_extract_string({quoted(sentences)}, "
        "'$.' || r) || coalesce(' (' || q.details[i] || ')', '')), '; ')"
    )
    columns = {
        "source_file_sha256": "f.sha", "source_name": "q.source_name", "source_record": "q.record",
        "ingest_id": quoted(ingest_id), "record_md5": "q.md5", "reasons": "q.reasons",
        "explanation": explanation, "fields_json": "s.fields_json", "byte_offset": "q.byte_offset",
        "byte_length": "q.byte_length", "facility": quoted(told.site.settings.facility),
        "pump_id": "s.pump_id", "sequence": "s.sequence", "device_time": "s.device_time",
    }  # fmt: skip
    picks = ", ".join(f'{columns[name]} as "{name}"' for name in TABLES["quarantined"].names)
    return (
        f"select {picks} from {n}_quarantine q join {n}_files f on f.file_no = q.file_no "
        f"left join ({seen}) s on s.file_no = q.file_no and s.record = q.record "
        f"where q.src = {src} and not q.waits_already order by q.file_no, q.record"
    )
