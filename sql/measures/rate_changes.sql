-- title: Changes by users from one running rate to another
-- grain: one change in one of the months, in clinical or unknown use
-- note: a stop and start without a gap is one (ruling 24), a pause and its resumption is none; nor is what the pump
-- or an order did. A change that is the last thing a log shows before a lost stop is one too: its stretch is unknown,
-- its rate is the event's, logged or following from the dose (ruling 51)

-- all stretches of an infusion are needed that has one in the months: the rate before a change
with concerned as (
    select distinct s.infusion_id
    from segments as s
    inner join month_span as p
        on s.started_at < p.ends_at and s.ended_at >= p.begins_at
),

-- a change that is the very last row of a log has no stretch of its own yet
last_ends as (
    select
        s.infusion_id,
        max(s.ended_at) as ended_at
    from segments as s
    inner join infusions as i
        on s.infusion_id = i.infusion_id
    where i.ended_at is null and s.infusion_id in (select infusion_id from concerned)
    group by s.infusion_id
),

pieces as (
    select
        infusion_id,
        facility,
        pump_id,
        channel,
        started_at,
        ended_at,
        state,
        rate_ml_h,
        care_area,
        entry,
        concentration_value,
        concentration_unit,
        weight_kg
    from segments
    where infusion_id in (select infusion_id from concerned)
    union all
    select
        s.infusion_id,
        s.facility,
        s.pump_id,
        s.channel,
        s.ended_at as started_at,
        s.ended_at,
        'unknown' as state,
        null as rate_ml_h,
        s.care_area,
        s.entry,
        s.concentration_value,
        s.concentration_unit,
        s.weight_kg
    from segments as s
    inner join last_ends as l
        on s.infusion_id = l.infusion_id and s.ended_at = l.ended_at
    where s.state = 'running'
),

unknown_pieces as (
    select * from pieces
    where state = 'unknown'
),

-- what is set is asked for only where a stretch is unknown, which few are
set_rates as (
    select
        e.facility,
        e.pump_id,
        e.channel,
        epoch_us(e.occurred_at) as at_us,
        max_by(
            {'rate_ml_h': e.rate_ml_h, 'dose_value': e.dose_value, 'dose_unit': e.dose_unit},
            {'sequence': coalesce(e.sequence, 0), 'id': e.event_id}
        ) as told
    from counting_events as e
    semi join unknown_pieces as s
        on
            e.facility = s.facility
            and e.pump_id = s.pump_id
            and e.channel = s.channel
            and e.occurred_at = s.started_at
    where
        e.kind in ('rate_changed', 'programme_changed', 'infusion_started')
        and (e.rate_ml_h is not null or e.dose_value is not null)
        and e.occurred_at >= (select begins_at from month_span)
        and e.occurred_at < (select ends_at from month_span)
    group by e.facility, e.pump_id, e.channel, at_us
),

stretches as (
    select
        s.* exclude (rate_ml_h, concentration_value, concentration_unit, weight_kg),
        epoch_us(s.started_at) as from_us,
        epoch_us(s.ended_at) as to_us,
        case
            when s.state <> 'unknown' then s.rate_ml_h
            when e.told.rate_ml_h is not null then e.told.rate_ml_h
            when not d.per_m2 and (d.dimension = 'volume' or d.dimension = c.dimension)
                then
                    e.told.dose_value * d.factor * 3600 / d.per_time_s
                    * case when d.per_kg then s.weight_kg else 1 end
                    / case
                        when d.dimension = 'volume' then 1
                        when s.concentration_value > 0 then s.concentration_value * c.factor / c.per_volume_ml
                    end
        end as rate_ml_h
    from pieces as s
    cross join measure_settings as t
    left join set_rates as e
        on
            s.state = 'unknown'
            and s.facility = e.facility
            and s.pump_id = e.pump_id
            and s.channel = e.channel
            and epoch_us(s.started_at) = e.at_us
    left join units as d
        on e.told.dose_unit = d.code and d.per_time_s is not null
    left join units as c
        on s.concentration_unit = c.code and c.per_volume_ml is not null
    -- the moment between a stop and the start that follows at once
    where s.state <> 'paused' or epoch_us(s.ended_at) - epoch_us(s.started_at) > t.no_gap_us
),

neighbours as (
    select
        *,
        lag({'state': state, 'rate_ml_h': rate_ml_h, 'to_us': to_us}) over (
            partition by infusion_id
            order by from_us, to_us, channel
        ) as before
    from stretches
),

changed as (
    select
        n.infusion_id,
        n.facility,
        n.pump_id,
        n.channel,
        n.started_at,
        n.from_us,
        n.care_area,
        n.entry,
        n.before.to_us as before_us,
        n.before.rate_ml_h as rate_before_ml_h,
        n.rate_ml_h
    from neighbours as n
    cross join measure_settings as t
    where
        n.state in ('running', 'unknown')
        and n.before.state = 'running'
        and n.before.rate_ml_h > 0
        and n.rate_ml_h > 0
        and printf('%.9e', n.before.rate_ml_h) <> printf('%.9e', n.rate_ml_h)
        and n.from_us - n.before.to_us <= t.no_gap_us
),

told as (
    select
        facility,
        pump_id,
        channel,
        epoch_us(occurred_at) as at_us,
        kind = 'infusion_paused' as pauses
    from counting_events
    where
        (
            kind = 'infusion_paused'
            or (
                initiator in ('pump', 'order')
                and kind in ('rate_changed', 'programme_changed', 'infusion_started', 'infusion_resumed')
            )
        )
        -- a pause may lie before the months' first change by as much as ends no stretch
        and epoch_us(occurred_at) >= (
            select epoch_us(p.begins_at) - t.no_gap_us
            from month_span as p
            cross join measure_settings as t
        )
        and occurred_at < (select ends_at from month_span)
),

pauses as (
    select *
    from told
    where pauses
),

-- where a stretch goes on without a gap, only what is told at that instant lies between the two
after_gaps as (
    select * from changed
    where before_us < from_us
),

-- told at that instant, or a pause since the stretch before: the last one tells whether there is one
by_others as (
    select c.infusion_id, c.from_us
    from changed as c
    inner join told as e
        on
            c.facility = e.facility
            and c.pump_id = e.pump_id
            and c.channel = e.channel
            and c.from_us = e.at_us
    union
    select c.infusion_id, c.from_us
    from after_gaps as c
    asof inner join pauses as e
        on
            c.facility = e.facility
            and c.pump_id = e.pump_id
            and c.channel = e.channel
            and c.from_us >= e.at_us
    where c.before_us <= e.at_us
)

select
    c.infusion_id,
    m.month,
    coalesce(c.care_area, 'none selected') as care_area,
    coalesce(c.entry, '') as entry,
    coalesce(i.pump_type, 'unknown') as pump_type,
    case when f.entry is null then 'unknown' when f.high_alert then 'yes' else 'no' end as high_alert,
    coalesce(g.log, i.source_name, 'unknown') as source,
    c.pump_id,
    c.channel,
    c.started_at as changed_at,
    c.rate_before_ml_h,
    c.rate_ml_h,
    greatest(c.rate_ml_h / c.rate_before_ml_h, c.rate_before_ml_h / c.rate_ml_h) as factor
from changed as c
inner join site_months as m
    on c.started_at >= m.begins_at and c.started_at < m.ends_at
inner join infusions as i
    on c.infusion_id = i.infusion_id
left join by_others as o
    on c.infusion_id = o.infusion_id and c.from_us = o.from_us
left join pump_logs as g
    on i.pump_id = g.pump_id and i.source_name = g.source_name and m.month = g.month
left join entry_flags as f
    on c.entry = f.entry
where o.infusion_id is null and coalesce(i.use_context, 'unknown') not in ('maintenance', 'training')
