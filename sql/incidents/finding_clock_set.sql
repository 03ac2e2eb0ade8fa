-- title: The pump's clock was set, or stepped back
-- grain: one event
select
    facility, pump_id, channel,
    occurred_at as at,
    occurred_at as until_at,
    cast(null as varchar) as infusion_id,
    care_area, entry,
    case when after_clock_back then (epoch_us(occurred_before) - epoch_us(occurred_at)) / 1000000.0 end as size,
    cast(null as double) as before_value,
    case when after_clock_back then (epoch_us(occurred_before) - epoch_us(occurred_at)) / 1000000.0 end
        as after_value,
    's' as unit,
    case when kind = 'clock_set' then 'set' else 'back' end as detail,
    [event_id] as evidence
from trace_order
where kind = 'clock_set' or after_clock_back
