-- title: Programmings of the months, and the limits that they met
-- grain: one programming in one of the months, in clinical or unknown use
-- note: programmings of one infusion stand together (`cluster`): alerts come in bursts. `use_told`: not only those with
-- an alert are known to be programmings inside, in its source and month and in its infusion; `soft_told`, `hard_told`:
-- whether it met such a limit is known
select
    p.programming_id,
    m.month,
    coalesce(p.care_area, 'none selected') as care_area,
    coalesce(p.entry, '') as entry,
    coalesce(k.pump_type, 'unknown') as pump_type,
    case when f.entry is null then 'unknown' when f.high_alert then 'yes' else 'no' end as high_alert,
    coalesce(g.log, p.source_name, 'unknown') as source,
    p.phase,
    coalesce(p.infusion_id, p.programming_id) as cluster,
    coalesce(a.met_soft, false) as met_soft,
    coalesce(a.met_hard, false) as met_hard,
    coalesce(not a.met_soft and not a.met_hard, false) as met_unknown,
    s.source is null and coalesce(a.met_soft or a.met_hard, true) as soft_told,
    h.source is null and coalesce(a.met_soft or a.met_hard, true) as hard_told,
    u.source is null
    and not (
        i.infusion_id is not null and coalesce(i.library_use, 'unknown') = 'unknown'
        -- a change confirmed under a use that the log told later is known
        and (p.phase = 'start' or coalesce(p.programming_id = p.attempt_id, false))
    ) as use_told,
    c.source_name is not null as can_log
from programmings as p
inner join site_months as m
    on p.at >= m.begins_at and p.at < m.ends_at
left join pump_logs as g
    on p.pump_id = g.pump_id and p.source_name = g.source_name and m.month = g.month
left join attempts as a
    on p.attempt_id = a.attempt_id
left join infusions as i
    on p.infusion_id = i.infusion_id
left join pump_kinds as k
    on p.pump_id = k.pump_id
left join entry_flags as f
    on p.entry = f.entry
left join able_sources as c
    on coalesce(g.log, p.source_name) = c.source_name and c.measure = 'soft_alert_share'
left join untold_programmings as u
    on coalesce(g.log, p.source_name, 'unknown') = u.source and m.month = u.month
left join untold_limit_kinds as s
    on coalesce(g.log, p.source_name, 'unknown') = s.source and m.month = s.month and s.limit_kind = 'soft'
left join untold_limit_kinds as h
    on coalesce(g.log, p.source_name, 'unknown') = h.source and m.month = h.month and h.limit_kind = 'hard'
where coalesce(p.use_context, 'unknown') not in ('maintenance', 'training')
