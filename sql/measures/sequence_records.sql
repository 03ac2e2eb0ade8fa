-- title: Every numbered record that reached us from a source whose numbers have no holes of their own
-- grain: an event, an ignored or a waiting record: several events of one record give several rows
-- note: ignored and quarantined records count as seen where pump and number can be read; a waiting one whose
-- number is kept or ignored as well is the same record, or conflicts with it
select
    source_name as source,
    pump_id,
    sequence,
    device_time,
    occurred_at
from events
where sequence_reliable and sequence is not null
union all
select
    source_name as source,
    pump_id,
    sequence,
    device_time,
    occurred_at
from ignored
where sequence_reliable
union all
select
    q.source,
    q.pump_id,
    q.sequence,
    q.device_time,
    q.occurred_at
from quarantine_months as q
where
    q.pump_id is not null
    and q.sequence is not null
    and q.source in (
        select source_name from events
        where sequence_reliable
        union distinct
        select source_name from ignored
        where sequence_reliable
    )
    and not exists (
        select 1
        from events as e
        where
            q.source = e.source_name
            and q.pump_id = e.pump_id
            and q.sequence = e.sequence
            and (q.device_time is null or q.device_time = e.device_time)
    )
    and not exists (
        select 1
        from ignored as i
        where
            q.source = i.source_name
            and q.pump_id = i.pump_id
            and q.sequence = i.sequence
            and (q.device_time is null or q.device_time = i.device_time)
    )
