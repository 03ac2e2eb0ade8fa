-- title: Stretches of the month in which a pump had at least one alarm; overlapping alarms are one
-- grain: pump, stretch
-- note: file and record are those of the first alarm of the stretch; only its part inside the month counts
with inside as (
    select
        s.pump_id,
        s.stretch,
        s.source,
        s.began_at as first_at,
        greatest(s.began_at, m.begins_at) as began_at,
        least(s.ended_at, m.ends_at) as ended_at
    from alarm_stretches as s
    inner join site_months as m
        on s.began_at < m.ends_at and s.ended_at > m.begins_at
    inner join report_month as w
        on m.month = w.month
),

first_alarms as (
    select
        i.pump_id,
        i.stretch,
        min(a.alarm_id) as alarm_id,
        min_by(a.alarm_kind, a.alarm_id) as alarm_kind
    from inside as i
    inner join alarms as a
        on i.pump_id = a.pump_id and i.source = a.source_name and i.first_at = a.raised_at
    group by i.pump_id, i.stretch
)

select
    '' as care_area,
    cast(timezone(t.zone, i.began_at) as date) as happened_on,
    h.shift,
    coalesce(f.alarm_kind, 'other') as alarm_kind,
    cast((epoch_us(i.ended_at) - epoch_us(i.began_at)) / cast(60000000 as decimal(28, 9)) as decimal(28, 9)) as minutes,
    'counted' as alarm_minutes,
    i.pump_id,
    i.source,
    p.path as source_file,
    e.source_file_sha256,
    e.source_record,
    f.alarm_id as id,
    timezone(t.zone, i.began_at) as local_time
from inside as i
cross join measure_settings as t
inner join day_shifts as h
    on extract(hour from timezone(t.zone, i.began_at)) = h.hour_of_day
left join first_alarms as f
    on i.pump_id = f.pump_id and i.stretch = f.stretch
left join events as e
    on split_part(f.alarm_id, ':', 1) = e.event_id
left join source_paths as p
    on e.source_file_sha256 = p.source_file_sha256
order by i.began_at, i.pump_id, i.stretch
