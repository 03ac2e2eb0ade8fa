-- title: Holes in the pump's counter: how many numbers are missing, and how many of them wait unread
-- grain: one hole, at the first event after it
-- note: a number that an ignored record carries was not lost; one that a record in quarantine carries was not
-- lost either, but nobody could read what it says (ruling 22)
with holes as (
    select
        facility, pump_id, channel, event_id, event_before, occurred_at, occurred_before, source_name,
        sequence_before, sequence, kind,
        sequence - sequence_before - 1 as width
    from trace_order
    where after_gap and sequence_reliable and sequence > sequence_before + 1
),

carried as (
    select facility, pump_id, sequence, false as waits
    from ignored
    where sequence_reliable
    union distinct
    select facility, pump_id, sequence, true as waits
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
    group by h.event_id
)

select
    h.*,
    cast(h.width - coalesce(s.ignored_numbers, 0) - coalesce(s.waiting_numbers, 0) as bigint) as missing,
    cast(coalesce(s.waiting_numbers, 0) as bigint) as waiting
from holes as h
left join seen as s on h.event_id = s.event_id
