-- title: Running hours of the month by infusion, care area, entry and library use, and what they count as
-- grain: infusion, care area, entry, library use
with hours as (
    select
        r.infusion_id,
        r.care_area,
        r.entry,
        r.high_alert,
        r.source,
        r.month,
        r.library_use,
        r.can_log,
        cast(sum(r.elapsed_us) as bigint) as elapsed_us
    from running_stretches as r
    inner join report_month as w
        on r.month = w.month
    where r.use_context not in ('maintenance', 'training')
    group by r.infusion_id, r.care_area, r.entry, r.high_alert, r.source, r.month, r.library_use, r.can_log
)

select
    h.care_area,
    m.happened_on,
    m.shift,
    h.entry,
    h.high_alert,
    h.library_use,
    cast(h.elapsed_us / cast(3600000000 as decimal(28, 9)) as decimal(28, 9)) as running_hours,
    case
        when not h.can_log or h.library_use = 'unknown' then 'left out'
        when h.library_use in ('limited', 'no_limit_entry') then 'counted'
        else 'not counted'
    end as library_use_hours,
    case when a.source_name is null or ua.source is not null then 'left out' else 'not counted' end
        as delivery_alarm_rate,
    case when d.source_name is null or ud.source is not null then 'left out' else 'not counted' end as delivery_lost,
    case when c.source_name is null or uc.source is not null then 'left out' else 'not counted' end
        as user_rate_changes,
    i.pump_id,
    h.source,
    m.source_file,
    m.source_file_sha256,
    m.source_record,
    h.infusion_id as id,
    m.local_time
from hours as h
inner join infusions as i
    on h.infusion_id = i.infusion_id
inner join list_moments as m
    on m.list = 'running' and h.infusion_id = m.id
left join able_sources as a
    on h.source = a.source_name and a.measure = 'delivery_alarm_rate'
left join able_sources as d
    on h.source = d.source_name and d.measure = 'delivery_lost'
left join able_sources as c
    on h.source = c.source_name and c.measure = 'user_rate_changes'
left join untold_months as ua
    on h.source = ua.source and h.month = ua.month and ua.measure = 'delivery_alarm_rate'
left join untold_months as ud
    on h.source = ud.source and h.month = ud.month and ud.measure = 'delivery_lost'
left join untold_months as uc
    on h.source = uc.source and h.month = uc.month and uc.measure = 'user_rate_changes'
order by h.care_area, m.happened_on, m.shift, h.infusion_id, h.entry, h.library_use
