-- title: Stretches in which an alarm stood a delivery still, cut at the local midnight of each month's first
-- grain: one segment that an alarm stopped, inside one month
select
    s.infusion_id,
    m.month,
    coalesce(s.care_area, 'none selected') as care_area,
    coalesce(s.entry, '') as entry,
    coalesce(i.pump_type, 'unknown') as pump_type,
    case when f.entry is null then 'unknown' when f.high_alert then 'yes' else 'no' end as high_alert,
    coalesce(g.log, i.source_name, 'unknown') as source,
    s.pump_id,
    s.channel,
    s.started_at,
    epoch_us(s.ended_at) - epoch_us(s.started_at) as whole_us,
    epoch_us(least(s.ended_at, m.ends_at)) - epoch_us(greatest(s.started_at, m.begins_at)) as elapsed_us
from segments as s
inner join infusions as i
    on s.infusion_id = i.infusion_id
inner join site_months as m
    on s.started_at < m.ends_at and s.ended_at > m.begins_at
left join pump_logs as g
    on i.pump_id = g.pump_id and i.source_name = g.source_name and m.month = g.month
left join entry_flags as f
    on s.entry = f.entry
where s.state = 'stopped_by_alarm' and coalesce(i.use_context, 'unknown') not in ('maintenance', 'training')
