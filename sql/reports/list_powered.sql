-- title: Powered-on hours of each pump in the month, and what they count as
-- grain: pump, source
-- note: hours add up over the month from one event to the next, so no one record stands for them
select
    '' as care_area,
    h.pump_id,
    coalesce(k.pump_type, 'unknown') as pump_type,
    h.source,
    cast(h.elapsed_us / cast(3600000000 as decimal(28, 9)) as decimal(28, 9)) as powered_on_hours,
    case when r.source_name is null or u.source is not null then 'left out' else 'not counted' end as pump_alarm_rate,
    case when a.source_name is null then 'left out' else 'not counted' end as alarm_minutes
from pump_hours as h
inner join report_month as w
    on h.month = w.month
left join pump_kinds as k
    on h.pump_id = k.pump_id
left join able_sources as r
    on h.source = r.source_name and r.measure = 'pump_alarm_rate'
left join untold_months as u
    on h.source = u.source and h.month = u.month and u.measure = 'pump_alarm_rate'
left join able_sources as a
    on h.source = a.source_name and a.measure = 'alarm_minutes'
order by h.pump_id, h.source
