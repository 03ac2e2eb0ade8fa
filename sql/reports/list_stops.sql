-- title: Stretches of the month in which an alarm stood a delivery still
-- grain: one stretch
select
    s.care_area,
    cast(timezone(t.zone, s.started_at) as date) as happened_on,
    h.shift,
    s.entry,
    s.high_alert,
    cast(s.elapsed_us / cast(60000000 as decimal(28, 9)) as decimal(28, 9)) as minutes,
    case when c.source_name is null then 'left out' else 'counted' end as delivery_lost,
    s.pump_id,
    s.source,
    p.path as source_file,
    e.source_file_sha256,
    e.source_record,
    s.infusion_id,
    timezone(t.zone, s.started_at) as local_time
from stopped_stretches as s
inner join report_month as w
    on s.month = w.month
cross join measure_settings as t
inner join day_shifts as h
    on extract(hour from timezone(t.zone, s.started_at)) = h.hour_of_day
left join events as e
    on split_part(s.infusion_id, ':', 1) = e.event_id
left join source_paths as p
    on e.source_file_sha256 = p.source_file_sha256
left join able_sources as c
    on s.source = c.source_name and c.measure = 'delivery_lost'
order by s.care_area, s.started_at, s.infusion_id
