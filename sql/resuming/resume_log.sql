-- title: What the pumps that were touched logged lately
-- grain: one event
-- why: with the line that it names; '?' where none, which need not be the one that it stands on as channel_values
-- has it. A pump without a secondary has one line
select
    e.*,
    case when p.has_secondary then coalesce(e.fluid_source, '?') else 'only' end as line
from resume_events as e
inner join resume_pumps as p on e.facility = p.facility and e.pump_id = p.pump_id
