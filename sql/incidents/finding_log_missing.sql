-- title: Numbers of the pump that no record carries whose pump and number could be read
-- grain: one hole
select
    facility, pump_id, channel,
    occurred_before as at,
    occurred_at as until_at,
    cast(null as varchar) as infusion_id,
    cast(null as varchar) as care_area,
    cast(null as varchar) as entry,
    cast(missing as double) as size,
    cast(sequence_before as double) as before_value,
    cast(sequence as double) as after_value,
    '1' as unit,
    cast(waiting as varchar) as detail,
    [event_before, event_id] as evidence,
    perhaps
from trace_gaps
where missing > 0
