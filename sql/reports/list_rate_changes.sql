-- title: Changes of rate by users in the month
-- grain: one change
-- note: file and record are those of the start of the infusion that the change belongs to
select
    r.care_area,
    cast(timezone(t.zone, r.changed_at) as date) as happened_on,
    h.shift,
    r.entry,
    r.high_alert,
    r.rate_before_ml_h,
    r.rate_ml_h,
    r.factor,
    case when c.source_name is null or u.source is not null then 'left out' else 'counted' end as user_rate_changes,
    r.pump_id,
    r.source,
    p.path as source_file,
    e.source_file_sha256,
    e.source_record,
    r.infusion_id,
    timezone(t.zone, r.changed_at) as local_time
from rate_changes as r
inner join report_month as w
    on r.month = w.month
cross join measure_settings as t
inner join day_shifts as h
    on extract(hour from timezone(t.zone, r.changed_at)) = h.hour_of_day
left join events as e
    on split_part(r.infusion_id, ':', 1) = e.event_id
left join source_paths as p
    on e.source_file_sha256 = p.source_file_sha256
left join able_sources as c
    on r.source = c.source_name and c.measure = 'user_rate_changes'
left join untold_months as u
    on r.source = u.source and r.month = u.month and u.measure = 'user_rate_changes'
order by r.care_area, r.changed_at, r.infusion_id, r.rate_before_ml_h, r.rate_ml_h
