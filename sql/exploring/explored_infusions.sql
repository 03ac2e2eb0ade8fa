-- title: Infusions that were chosen, with local times, and what people and pumps did in them
-- grain: one infusion that began in a chosen month, in a chosen care area, under a chosen entry
with attempted as (
    select
        infusion_id,
        count(*) as attempts,
        count(*) filter (where outcome = 'overridden') as overridden
    from attempts
    group by infusion_id
),

alarmed as (
    select
        infusion_id,
        count(*) as alarms
    from alarms
    group by infusion_id
)

select
    strftime(timezone(z.zone, i.started_at), '%Y-%m') as month,
    timezone(z.zone, i.started_at) as started_local,
    timezone(z.zone, i.ended_at) as ended_local,
    i.pump_id,
    i.channel,
    coalesce(i.care_area, 'none selected') as care_area,
    coalesce(i.entry, 'no entry') as entry,
    coalesce(i.library_use, 'unknown') as library_use,
    cast(i.running_hours as double) as running_hours,
    cast(i.volume_ml as double) as volume_ml,
    cast(i.amount as double) as amount,
    i.amount_unit,
    i.user_rate_changes,
    coalesce(a.attempts, 0) as attempts,
    coalesce(a.overridden, 0) as overridden,
    coalesce(m.alarms, 0) as alarms,
    i.end_kind,
    i.uncertain,
    i.false_start,
    i.use_context,
    i.infusion_id
from infusions as i
cross join explored_zone as z
left join attempted as a on i.infusion_id = a.infusion_id
left join alarmed as m on i.infusion_id = m.infusion_id
where
    strftime(timezone(z.zone, i.started_at), '%Y-%m') in (select c.month from chosen_months as c)
    and coalesce(i.care_area, 'none selected') in (select c.care_area from chosen_care_areas as c)
    and coalesce(i.entry, 'no entry') in (select c.entry from chosen_entries as c)
order by i.started_at, i.pump_id, i.channel, i.infusion_id
