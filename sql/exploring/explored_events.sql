-- title: What was logged while one infusion lasted, each with the file and record that say so
-- grain: one event of the pump, on the infusion's channel or on the whole pump
with span as (
    select
        i.facility,
        i.pump_id,
        i.channel,
        i.started_at,
        i.ended_at
    from infusions as i
    inner join chosen_infusion as c on i.infusion_id = c.infusion_id
),

-- a file that was dropped under several names is told by the first
files as (
    select
        source_file_sha256,
        source_name,
        min(path) as path
    from ingests
    group by source_file_sha256, source_name
)

select
    timezone(z.zone, e.occurred_at) as at_local,
    e.channel,
    e.kind,
    f.path as file,
    e.source_record as record,
    e.sequence,
    e.rate_ml_h,
    e.dose_value,
    e.dose_unit,
    e.limit_side,
    e.limit_quantity,
    e.limit_value,
    e.entered_value,
    e.limit_unit,
    e.alarm_kind,
    e.stop_reason,
    e.time_quality,
    array_to_string(e.implausible, ', ') as implausible,
    array_to_string(e.unmapped, ', ') as unmapped,
    e.event_id
from events as e
inner join span as s
    on
        e.facility = s.facility
        and e.pump_id = s.pump_id
        and e.occurred_at between s.started_at and s.ended_at
        and (e.channel = s.channel or e.channel = '')
cross join explored_zone as z
left join files as f
    on e.source_file_sha256 = f.source_file_sha256 and e.source_name = f.source_name
order by e.occurred_at, e.sequence, e.source_record, e.record_place, e.event_id
