-- title: Pumps, since when each was heard, and its model
-- grain: pump
select
    h.pump_id,
    h.first_at,
    d.pump_model
from (
    select
        pump_id,
        min(occurred_at) as first_at
    from events
    group by pump_id
) as h
left join pump_models as d
    on h.pump_id = d.pump_id
