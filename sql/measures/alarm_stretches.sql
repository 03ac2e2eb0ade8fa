-- title: Stretches in which a pump had at least one alarm: overlapping ones are one
-- grain: pump, stretch
-- why: burden is the union of minutes (ruling 39)
with ended as (
    select
        a.pump_id,
        a.alarm_id,
        a.source_name as source,
        a.raised_at,
        a.ended_at
    from alarms as a
    inner join able_sources as c
        on a.source_name = c.source_name and c.measure = 'alarm_minutes'
    where a.ended_at > a.raised_at and coalesce(a.use_context, 'unknown') not in ('maintenance', 'training')
),

reached as (
    select
        *,
        max(ended_at) over (
            partition by pump_id
            order by raised_at, alarm_id
            rows between unbounded preceding and 1 preceding
        ) as reached_at
    from ended
),

numbered as (
    select
        *,
        sum(case when raised_at <= reached_at then 0 else 1 end) over (
            partition by pump_id
            order by raised_at, alarm_id
            rows between unbounded preceding and current row
        ) as stretch
    from reached
)

select
    pump_id,
    stretch,
    min_by(source, alarm_id) as source,
    min(raised_at) as began_at,
    max(ended_at) as ended_at
from numbered
group by pump_id, stretch
