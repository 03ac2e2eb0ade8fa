-- title: Programmings of the time that is looked at
-- grain: one programming in clinical or unknown use
-- note: `cluster` holds programmings of one infusion together: alerts come in bursts
select
    p.programming_id,
    p.infusion_id,
    p.facility,
    p.pump_id,
    p.channel,
    p.at as happened_at,
    p.phase,
    coalesce(p.care_area, 'none selected') as care_area,
    coalesce(p.entry, '') as entry,
    p.attempt_id,
    coalesce(p.programming_id = p.attempt_id, false) as ended_with_none,
    coalesce(p.infusion_id, p.programming_id) as cluster,
    coalesce(a.alerts, 0) as alerts,
    c.source_name is not null or w.pump_id is not null as can_log
from programmings as p
inner join library_span as s
    on p.at >= s.begins_at and p.at < s.ends_at
left join attempts as a
    on p.attempt_id = a.attempt_id
left join warning_sources as c
    on p.source_name = c.source_name
left join warning_pumps as w
    on p.facility = w.facility and p.pump_id = w.pump_id
where coalesce(p.use_context, 'unknown') not in ('maintenance', 'training')
