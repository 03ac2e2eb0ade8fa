-- title: Rate x time and the pump's own total disagree
-- grain: one infusion
-- note: compared over the same stretch: from the infusion's begin (a counter of the infusion) or from the first
-- reading (a counter since it was cleared, with no clear between) to the last reading
with readings as (
    select
        i.infusion_id, i.facility, i.pump_id, i.channel, i.care_area, i.entry, i.uncertain, i.started_at,
        e.occurred_at, e.event_id, e.volume_delivered_ml,
        coalesce(e.volume_scope, 'infusion') as scope
    from infusions as i
    inner join events as e
        on
            i.facility = e.facility and i.pump_id = e.pump_id and i.channel = e.channel
            and i.started_at < e.occurred_at
            and coalesce(i.ended_at, e.occurred_at) >= e.occurred_at
    where e.volume_delivered_ml is not null and coalesce(e.volume_scope, 'infusion') <> 'segment'
),

spans as (
    select
        infusion_id, facility, pump_id, channel, care_area, entry, uncertain, scope,
        case when scope = 'infusion' then started_at else min(occurred_at) end as from_at,
        max(occurred_at) as to_at,
        max_by(volume_delivered_ml, {'at': epoch_us(occurred_at), 'id': event_id})
        - case
            when scope = 'infusion' then 0
            else min_by(volume_delivered_ml, {'at': epoch_us(occurred_at), 'id': event_id})
        end as reported_ml,
        max_by(event_id, {'at': epoch_us(occurred_at), 'id': event_id}) as event_id
    from readings
    group by
        infusion_id, facility, pump_id, channel, care_area, entry, uncertain, scope, started_at
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
                        (epoch_us(least(s.ended_at, p.to_at)) - epoch_us(greatest(s.started_at, p.from_at)))
                        / cast(greatest(epoch_us(s.ended_at) - epoch_us(s.started_at), 1) as double)
                        as decimal(18, 12)
                    ) as decimal(28, 9)
                )
            ) as double
        ) as computed_ml
    from spans as p
    inner join segments as s
        on p.infusion_id = s.infusion_id and p.to_at > s.started_at and p.from_at < s.ended_at
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
