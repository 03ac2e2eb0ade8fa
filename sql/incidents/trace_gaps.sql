-- title: Holes in the pump's counter: how many numbers are missing, and how many of them wait unread
-- grain: one hole, at the first event after it
-- note: a number that an ignored record carries was not lost (one from about the time of the hole: a counter that
-- began anew gives its numbers again); one that a record in quarantine carries was not
-- lost either, but nobody could read what it says (ruling 22). One whose pump or number cannot be read, and that lies
-- between the two neighbours in their file, may carry a number that is missing: `perhaps` says of how many
with holes as (
    select
        facility, pump_id, channel, place, event_id, event_before, occurred_at, occurred_before, source_name,
        sequence_before, sequence, kind, file_before, record_before, source_file_sha256, source_record,
        sequence - sequence_before - 1 as width
    from trace_order
    where after_gap and sequence_reliable and sequence > sequence_before + 1
),

carried as (
    select facility, pump_id, sequence, occurred_at as near_at, false as waits
    from ignored
    where sequence_reliable
    union distinct
    -- the clock's reading is local: a day of room is more than any zone is off
    select facility, pump_id, sequence, timezone('UTC', device_time) as near_at, true as waits
    from quarantined
    where pump_id is not null and sequence is not null
),

seen as (
    select
        h.event_id,
        count(distinct case when not c.waits then c.sequence end) as ignored_numbers,
        count(distinct case when c.waits then c.sequence end) as waiting_numbers
    from holes as h
    inner join carried as c
        on
            h.facility = c.facility and h.pump_id = c.pump_id
            and h.sequence_before < c.sequence and h.sequence > c.sequence
            -- a number of the counter's life before is another record
            and coalesce(
                c.near_at > h.occurred_before - interval 1 day and c.near_at < h.occurred_at + interval 1 day, true
            )
    group by h.event_id
),

between_them as (
    select
        h.event_id,
        count(*) as records
    from holes as h
    inner join quarantined as q
        on
            h.source_file_sha256 = q.source_file_sha256
            and least(h.record_before, h.source_record) < q.source_record
            and greatest(h.record_before, h.source_record) > q.source_record
    where
        h.file_before = h.source_file_sha256
        and coalesce(q.facility = h.facility, true)
        and coalesce(q.pump_id = h.pump_id, true)
        and (
            q.sequence is null
            or (q.pump_id is null and q.sequence > h.sequence_before and q.sequence < h.sequence)
        )
    group by h.event_id
),

counted as (
    select
        h.* exclude (file_before, record_before, source_file_sha256, source_record),
        cast(h.width - coalesce(s.ignored_numbers, 0) - coalesce(s.waiting_numbers, 0) as bigint) as missing,
        cast(coalesce(s.waiting_numbers, 0) as bigint) as waiting,
        coalesce(b.records, 0) as unnumbered
    from holes as h
    left join seen as s on h.event_id = s.event_id
    left join between_them as b on h.event_id = b.event_id
)

select
    * exclude (unnumbered),
    cast(least(missing, unnumbered) as bigint) as perhaps
from counted
