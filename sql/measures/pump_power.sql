-- title: Stretches in which a pump was on, from one event to the next
-- grain: event of a pump that is followed by another while the pump stays on
-- note: a power-on without a power-off before it means that the pump went off at an unknown moment: the time up to
-- it counts for nothing (ruling 25)
-- a session in the months begins at the last power-on before them at the earliest, and the first event after them ends
-- its last stretch
with bounds as (
    select
        t.pump_id,
        max(t.occurred_at) filter (where t.kind = 'powered_on' and t.occurred_at < m.begins_at) as first_at,
        min(t.occurred_at) filter (where t.occurred_at >= m.ends_at) as last_at
    from power_events as t
    cross join month_span as m
    group by t.pump_id
),

near as (
    select t.*
    from power_events as t
    inner join bounds as b
        on t.pump_id = b.pump_id
    where
        (b.first_at is null or t.occurred_at >= b.first_at)
        and (b.last_at is null or t.occurred_at <= b.last_at)
),

followed as (
    select
        pump_id,
        source,
        occurred_at as began_at,
        -- what follows a switching-off or is a switching-on begins anew
        case
            when
                kind not in ('powered_off', 'power_lost')
                and coalesce(lead(kind) over in_time <> 'powered_on', false)
                then lead(occurred_at) over in_time
        end as ended_at,
        -- the last area told since the pump was switched on: '' where none was
        last_value(
            case
                when kind in ('powered_off', 'power_lost') then ''
                when kind = 'powered_on' then coalesce(care_area, '')
                else care_area
            end ignore nulls
        ) over (
            in_time rows between unbounded preceding and current row
        ) as care_area,
        use_context
    from near
    window in_time as (
        partition by pump_id
        order by occurred_at, sequence nulls first, event_id
    )
)

select
    f.pump_id,
    f.source,
    f.began_at,
    f.ended_at,
    coalesce(f.use_context, x.use_context, 'unknown') as use_context
from followed as f
left join area_contexts as x
    on nullif(f.care_area, '') = x.care_area
where f.ended_at > f.began_at
