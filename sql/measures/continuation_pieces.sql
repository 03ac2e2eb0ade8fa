-- title: Infusions cut where a stop or a completion was followed by more than no gap
-- grain: one piece of an infusion: what would be an infusion if a stop always ended one
-- note: of infusions that were under way in the months for which other windows are asked
with concerned as (
    select i.infusion_id
    from infusions as i
    inner join window_span as w
        on i.started_at < w.ends_at and (i.ended_at is null or i.ended_at >= w.begins_at)
),

ordered as (
    select
        s.infusion_id,
        s.facility,
        s.pump_id,
        s.channel,
        s.started_at,
        s.ended_at,
        s.state,
        s.volume_ml,
        lag(s.ended_at) over in_infusion as previous_end
    from segments as s
    semi join concerned as c
        on s.infusion_id = c.infusion_id
    where s.state in ('running', 'bolus', 'keep_open')
    window in_infusion as (partition by s.infusion_id order by s.started_at, s.ended_at)
),

stops as (
    select distinct facility, pump_id, channel, occurred_at
    from events
    where
        kind in ('infusion_stopped', 'infusion_completed')
        -- one before all that may be cut cuts nothing
        and occurred_at >= (select min(previous_end) from ordered)
),

-- the last one before the piece tells whether one lies in between
breaks as (
    select distinct
        o.infusion_id,
        o.started_at
    from ordered as o
    cross join measure_settings as t
    asof inner join stops as e
        on
            o.facility = e.facility
            and o.pump_id = e.pump_id
            and o.channel = e.channel
            and o.started_at > e.occurred_at
    where
        o.previous_end <= e.occurred_at
        and epoch_us(o.started_at) - epoch_us(o.previous_end) > t.no_gap_us
),

numbered as (
    select
        o.infusion_id,
        o.started_at,
        o.ended_at,
        o.state,
        o.volume_ml,
        sum(case when b.infusion_id is null then 0 else 1 end) over (
            partition by o.infusion_id order by o.started_at, o.ended_at
            rows between unbounded preceding and current row
        ) as piece
    from ordered as o
    left join breaks as b
        on o.infusion_id = b.infusion_id and o.started_at = b.started_at
)

select
    infusion_id,
    cast(piece as bigint) as piece,
    min(started_at) as started_at,
    cast(
        sum(case when state = 'keep_open' then 0 else epoch_us(ended_at) - epoch_us(started_at) end) as bigint
    ) as elapsed_us,
    sum(case when state = 'keep_open' then 0 else volume_ml end) as volume_ml,
    cast(count(*) over (partition by infusion_id) as bigint) as pieces
from numbered
group by infusion_id, piece
