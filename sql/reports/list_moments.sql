-- title: Where and when what the lists of a report name stands: date, eight-hour shift, file and record
-- grain: list, id
-- note: `local_time` is for the analyst's workbook alone; pages and tables beside them carry date and shift
with named as (
    select
        'starts' as list,
        s.infusion_id as id,
        s.started_at as at
    from starts as s
    inner join report_month as r
        on s.month = r.month
    union all
    select
        'running' as list,
        i.infusion_id as id,
        i.started_at as at
    from infusions as i
    where
        i.infusion_id in (
            select h.infusion_id from running_stretches as h
            inner join report_month as r
                on h.month = r.month
        )
    union all
    select
        'programmings' as list,
        p.programming_id as id,
        p.at
    from programmings as p
    where
        p.programming_id in (
            select l.programming_id from limit_programmings as l
            inner join report_month as r
                on l.month = r.month
        )
    union all
    select
        'attempts' as list,
        a.attempt_id as id,
        a.first_alert_at as at
    from limit_attempts as a
    inner join report_month as r
        on a.month = r.month
    union all
    select
        'alarms' as list,
        a.alarm_id as id,
        a.raised_at as at
    from month_alarms as a
    inner join report_month as r
        on a.month = r.month
)

select
    n.list,
    n.id,
    cast(timezone(t.zone, n.at) as date) as happened_on,
    h.shift,
    timezone(t.zone, n.at) as local_time,
    p.path as source_file,
    e.source_file_sha256,
    e.source_record
from named as n
cross join measure_settings as t
inner join day_shifts as h
    on extract(hour from timezone(t.zone, n.at)) = h.hour_of_day
left join events as e
    on split_part(n.id, ':', 1) = e.event_id
left join source_paths as p
    on e.source_file_sha256 = p.source_file_sha256
