-- title: Stretches in which a pump had at least one alarm: overlapping ones are one
-- grain: pump, stretch
-- why: burden is the union of minutes (ruling 39)
with together as (
    select distinct
        g.pump_id,
        g.source_name
    from pump_logs as g
    inner join able_sources as c
        on g.log = c.source_name and c.measure = 'alarm_minutes'
),

ended as (
    select
        a.pump_id,
        a.alarm_id,
        a.source_name as source,
        a.raised_at,
        a.ended_at
    from alarms as a
    left join able_sources as c
        on a.source_name = c.source_name and c.measure = 'alarm_minutes'
    left join together as g
        on a.pump_id = g.pump_id and a.source_name = g.source_name
    where
        (c.source_name is not null or g.source_name is not null)
        and a.ended_at > a.raised_at and coalesce(a.use_context, 'unknown') not in ('maintenance', 'training')
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
    -- of the first one: an alarm that joins months later moves no minute to another source
    min_by(source, {'at': raised_at, 'id': alarm_id}) as source,
    min(raised_at) as began_at,
    max(ended_at) as ended_at
from numbered
group by pump_id, stretch
