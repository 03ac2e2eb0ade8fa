-- title: Pumps, since when each was heard, its model and its type
-- grain: pump
with heard as (
    select
        pump_id,
        min(occurred_at) as first_at
    from events
    group by pump_id
    union all
    select
        pump_id,
        min(started_at) as first_at
    from infusions
    group by pump_id
),

since as (
    select
        pump_id,
        min(first_at) as first_at
    from heard
    group by pump_id
)

select
    h.pump_id,
    h.first_at,
    d.pump_model,
    k.pump_type
from since as h
left join pump_models as d
    on h.pump_id = d.pump_id
left join pump_kinds as k
    on h.pump_id = k.pump_id
