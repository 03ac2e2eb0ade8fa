-- title: Overrides far over the limit, and attempts that left the library, each with its file and record
-- grain: one attempt of the list that `what` names
-- note: no clock time: area, day and minute would name the nurse on duty
with listed as (
    select
        *,
        'far_override' as what
    from limit_attempts
    where outcome = 'overridden' and override_multiple >= 2
    union all
    select
        *,
        'left_library' as what
    from limit_attempts
    where outcome = 'left_library'
)

select
    a.what,
    a.month,
    cast(timezone(t.zone, a.first_alert_at) as date) as happened_on,
    h.shift,
    a.care_area,
    a.entry,
    a.high_alert,
    a.pump_id,
    a.channel,
    a.phase,
    a.limit_side,
    a.limit_quantity,
    a.entered_first,
    a.entered_final,
    a.limit_value,
    a.limit_unit,
    a.limit_multiple,
    a.outcome,
    a.reversed,
    a.source,
    p.path as source_file,
    e.source_file_sha256,
    e.source_record,
    a.attempt_id as case_id,
    a.attempt_id
from listed as a
cross join measure_settings as t
inner join day_shifts as h
    on extract(hour from timezone(t.zone, a.first_alert_at)) = h.hour_of_day
left join events as e
    on split_part(a.attempt_id, ':', 1) = e.event_id
left join source_paths as p
    on e.source_file_sha256 = p.source_file_sha256
order by a.what, a.month, happened_on, shift, a.care_area, a.entry, a.attempt_id
