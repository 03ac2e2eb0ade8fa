-- title: Pumps with their model, when each was heard last, and since when it names a library
-- grain: pump
-- note: only what was heard before the end of the time that is looked at
with named as (
    select facility, pump_id, min(first_seen_at) as named_since
    from library_versions
    group by facility, pump_id
)

select
    e.facility,
    e.pump_id,
    coalesce(max(e.pump_model), '') as pump_model,
    max(e.occurred_at) as last_heard_at,
    max(n.named_since) as named_since
from counting_events as e
inner join library_span as s
    on e.occurred_at < s.ends_at
left join named as n
    on e.facility = n.facility and e.pump_id = n.pump_id
group by e.facility, e.pump_id
