-- title: Rate x time and the pump's own total disagree
-- grain: one infusion and one kind of counter
-- note: compared over the same stretches: those in which the counter's readings grew, with no clear between
with spans as (
    select
        infusion_id, facility, pump_id, channel, care_area, entry, uncertain, scope,
        min(since_at) as from_at,
        max(occurred_at) as to_at,
        cast(sum(grown_ml) as double) as reported_ml,
        max_by(event_id, place) as event_id
    from trace_readings
    where grown_ml is not null
    group by infusion_id, facility, pump_id, channel, care_area, entry, uncertain, scope
),

computed as (
    select
        p.infusion_id,
        p.scope,
        bool_or(s.volume_ml is null) as unseen,
        cast(
            sum(
                cast(
                    s.volume_ml * cast(
                        (epoch_us(least(s.ended_at, p.occurred_at)) - epoch_us(greatest(s.started_at, p.since_at)))
                        / cast(greatest(epoch_us(s.ended_at) - epoch_us(s.started_at), 1) as double)
                        as decimal(18, 12)
                    ) as decimal(28, 9)
                )
            ) as double
        ) as computed_ml
    from trace_readings as p
    inner join segments as s
        on p.infusion_id = s.infusion_id and p.occurred_at > s.started_at and p.since_at < s.ended_at
    where p.grown_ml is not null
    group by p.infusion_id, p.scope
),

cleared as (
    select distinct p.infusion_id
    from spans as p
    inner join events as e
        on
            p.facility = e.facility and p.pump_id = e.pump_id
            and (p.channel = e.channel or e.channel = '')
            and p.from_at <= e.occurred_at and p.to_at >= e.occurred_at
    where e.kind = 'totals_cleared'
)

select
    p.facility, p.pump_id, p.channel,
    p.from_at as at,
    p.to_at as until_at,
    p.infusion_id, p.care_area, p.entry,
    abs(p.reported_ml - c.computed_ml) / greatest(abs(p.reported_ml), c.computed_ml) as size,
    c.computed_ml as before_value,
    p.reported_ml as after_value,
    'mL' as unit,
    case when p.uncertain then 'uncertain' else '' end as detail,
    [p.event_id] as evidence
from spans as p
inner join computed as c on p.infusion_id = c.infusion_id and p.scope = c.scope
left join cleared as x on p.infusion_id = x.infusion_id
cross join trace_settings as t
where
    x.infusion_id is null
    and not c.unseen
    and p.to_at > p.from_at
    and abs(p.reported_ml - c.computed_ml)
    > greatest(t.volume_floor_ml, t.volume_share * greatest(abs(p.reported_ml), c.computed_ml))
