-- title: Every number of the pump's counter that a record carries
-- grain: one event, or one ignored record whose number can be read
-- why: a record that a rule ignores was not lost, so its number is no gap (ruling 22)
select
    pump_no, event_id, sequence, record_place, device_time, occurred_us, file_rank, tie_rank, true as is_event
from infusion_log
union all
select
    p.pump_no,
    'ignored ' || i.source_name || ' ' || i.source_file_sha256 || ' ' || i.source_record || ' ' || i.sequence
        as event_id,
    i.sequence,
    0 as record_place,
    i.device_time,
    epoch_us(i.occurred_at) as occurred_us,
    cast(null as bigint) as file_rank,
    -1 as tie_rank,
    false as is_event
from ignored as i
inner join pumps_read as p on i.facility = p.facility and i.pump_id = p.pump_id
where i.sequence_reliable
