-- title: Weights that cannot be
-- grain: one event
select
    facility, pump_id, channel,
    occurred_at as at,
    occurred_at as until_at,
    cast(null as varchar) as infusion_id,
    care_area, entry,
    cast(null as double) as size,
    cast(null as double) as before_value,
    weight_kg as after_value,
    'kg' as unit,
    array_to_string(list_filter(implausible, lambda x: starts_with(x, 'weight')), ', ') as detail,
    [event_id] as evidence
from trace_weights
where len(list_filter(implausible, lambda x: starts_with(x, 'weight'))) > 0
