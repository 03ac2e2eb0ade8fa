-- title: Pumps of the month: heard or not, alarms and running hours, library, clock
-- grain: one pump
with ran as (
    select
        i.pump_id,
        cast(sum(r.elapsed_us) as bigint) as elapsed_us
    from running_hours as r
    inner join report_month as w
        on r.month = w.month
    inner join infusions as i
        on r.infusion_id = i.infusion_id
    inner join able_sources as c
        on r.source = c.source_name and c.measure = 'delivery_alarm_rate'
    group by i.pump_id
),

alarmed as (
    select
        pump_id,
        cast(sum(case when delivery_alarm_rate = 'counted' then 1 else 0 end) as bigint) as delivery_alarms,
        cast(sum(case when pump_alarm_rate = 'counted' then 1 else 0 end) as bigint) as pump_alarms
    from list_alarms
    group by pump_id
),

heard as (
    select
        p.pump_id,
        cast(sum(p.events) as bigint) as events,
        cast(sum(p.clock_corrected) as bigint) as clock_corrected
    from pump_months as p
    inner join report_month as w
        on p.month = w.month
    group by p.pump_id
),

stale as (
    select
        r.pump_id,
        cast(sum(case when r.is_stale then 1 else 0 end) as bigint) as stale_starts,
        cast(count(*) as bigint) as starts,
        max_by(r.library_version, {'at': s.started_at, 'id': s.infusion_id}) as library_version
    from start_releases as r
    inner join report_month as w
        on r.month = w.month
    inner join starts as s
        on r.infusion_id = s.infusion_id
    group by r.pump_id
),

listed as (
    select p.pump_id from pumps_in_service as p
    inner join report_month as w
        on p.month = w.month
    union
    select pump_id from heard
)

select
    l.pump_id,
    coalesce(k.pump_type, 'unknown') as pump_type,
    coalesce(d.pump_model, '') as pump_model,
    coalesce(h.events, 0) as events,
    cast(round(coalesce(r.elapsed_us, 0) / 3600000000.0, 4) as decimal(18, 4)) as running_hours,
    coalesce(a.delivery_alarms, 0) as delivery_alarms,
    coalesce(a.pump_alarms, 0) as pump_alarms,
    coalesce(s.starts, 0) as starts,
    coalesce(s.stale_starts, 0) as stale_starts,
    s.library_version,
    coalesce(h.clock_corrected, 0) as clock_corrected
from listed as l
left join pump_kinds as k
    on l.pump_id = k.pump_id
left join pump_models as d
    on l.pump_id = d.pump_id
left join heard as h
    on l.pump_id = h.pump_id
left join ran as r
    on l.pump_id = r.pump_id
left join alarmed as a
    on l.pump_id = a.pump_id
left join stale as s
    on l.pump_id = s.pump_id
order by l.pump_id
