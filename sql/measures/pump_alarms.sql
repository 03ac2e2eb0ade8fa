-- title: Alarms of the pumps themselves, and minutes in alarm, beside the powered-on time
-- grain: measure, pump (cluster), month, pump type, source, alarm kind and priority
-- note: what sources that log no power-on leave out is told in pumps, for their powered-on time is not known
with able as (
    select
        s.measure,
        s.source_name
    from able_sources as s
    where s.measure in ('pump_alarm_rate', 'alarm_minutes')
),

alarms_raised as (
    select
        'pump_alarm_rate' as measure,
        pump_id,
        month,
        source,
        alarm_kind,
        alarm_priority,
        cast(count(case when concerns = 'pump' then 1 end) as bigint) as amount,
        cast(count(case when not kind_told then 1 end) as bigint) as passed_over
    from month_alarms
    where concerns = 'pump' or not kind_told
    group by pump_id, month, source, alarm_kind, alarm_priority
),

minutes as (
    select
        'alarm_minutes' as measure,
        a.pump_id,
        m.month,
        coalesce(g.log, a.source) as source,
        '' as alarm_kind,
        '' as alarm_priority,
        cast(
            sum(epoch_us(least(a.ended_at, m.ends_at)) - epoch_us(greatest(a.began_at, m.begins_at))) as bigint
        ) as amount,
        cast(0 as bigint) as passed_over
    from alarm_stretches as a
    inner join site_months as m
        on a.began_at < m.ends_at and a.ended_at > m.begins_at
    left join pump_logs as g
        on a.pump_id = g.pump_id and a.source = g.source_name and m.month = g.month
    group by a.pump_id, m.month, coalesce(g.log, a.source)
),

heard as (
    select distinct
        n.measure,
        p.pump_id,
        p.month,
        coalesce(g.log, p.source) as source
    from pump_months as p
    left join pump_logs as g
        on p.pump_id = g.pump_id and p.source = g.source_name and p.month = g.month
    cross join (
        values
        ('pump_alarm_rate'),
        ('alarm_minutes')
    ) as n (measure)
),

beside as (
    select
        r.measure,
        r.pump_id,
        r.month,
        r.source,
        r.alarm_kind,
        r.alarm_priority,
        r.amount,
        r.passed_over,
        cast(0 as bigint) as elapsed_us,
        cast(0 as bigint) as pumps,
        cast(0 as bigint) as untold_pumps
    from (
        select * from alarms_raised
        union all
        select * from minutes
    ) as r
    inner join able as c
        on r.measure = c.measure and r.source = c.source_name
    union all
    select
        c.measure,
        h.pump_id,
        h.month,
        h.source,
        '' as alarm_kind,
        '' as alarm_priority,
        cast(0 as bigint) as amount,
        cast(0 as bigint) as passed_over,
        h.elapsed_us,
        cast(0 as bigint) as pumps,
        cast(0 as bigint) as untold_pumps
    from pump_hours as h
    inner join able as c
        on h.source = c.source_name
    union all
    select
        h.measure,
        h.pump_id,
        h.month,
        h.source,
        '' as alarm_kind,
        '' as alarm_priority,
        cast(0 as bigint) as amount,
        cast(0 as bigint) as passed_over,
        cast(0 as bigint) as elapsed_us,
        cast(case when c.source_name is null then 1 else 0 end as bigint) as pumps,
        cast(case when c.source_name is null then 0 else 1 end as bigint) as untold_pumps
    from heard as h
    left join able as c
        on h.measure = c.measure and h.source = c.source_name
    left join untold_months as u
        on h.measure = u.measure and h.source = u.source and h.month = u.month
    where c.source_name is null or u.source is not null
)

select
    b.measure,
    b.pump_id as cluster,
    b.month,
    coalesce(k.pump_type, 'unknown') as pump_type,
    b.source,
    b.alarm_kind,
    b.alarm_priority,
    cast(sum(case when u.source is null then b.amount else 0 end) as bigint) as numerator,
    cast(sum(case when u.source is null then b.elapsed_us else 0 end) as bigint) as denominator,
    cast(0 as bigint) as left_out_unknown,
    cast(sum(b.pumps) as bigint) as left_out_unable,
    cast(sum(b.untold_pumps) as bigint) as left_out_untold,
    cast(sum(b.passed_over) as bigint) as passed_over
from beside as b
left join untold_months as u
    on b.measure = u.measure and b.source = u.source and b.month = u.month
left join pump_kinds as k
    on b.pump_id = k.pump_id
group by b.measure, b.pump_id, b.month, k.pump_type, b.source, b.alarm_kind, b.alarm_priority
