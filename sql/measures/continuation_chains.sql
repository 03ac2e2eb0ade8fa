-- title: Infusions joined where the next one would have continued them within 60 minutes of a stop
-- grain: one infusion, with the first one of its chain
-- note: from the beginning of the months that are asked for, and on each channel from the one before it; that one
-- stands as if it began a chain
with before_span as (
    select
        i.facility,
        i.pump_id,
        i.channel,
        max(i.started_at) as started_at
    from infusions as i
    inner join window_span as w
        on i.started_at < w.begins_at
    group by i.facility, i.pump_id, i.channel
),

near as (
    select
        i.infusion_id,
        i.facility,
        i.pump_id,
        i.channel,
        i.started_at,
        i.ended_at,
        i.start_kind,
        i.end_kind,
        i.library_use,
        i.care_area,
        i.patient_key,
        i.entry,
        i.concentration_value,
        i.concentration_unit,
        i.fluid_source
    from infusions as i
    left join before_span as b
        on i.facility = b.facility and i.pump_id = b.pump_id and i.channel = b.channel
    where b.started_at is null or i.started_at >= b.started_at
),

edges as (
    select
        s.infusion_id,
        min_by(coalesce(s.care_area, ''), row(s.started_at, s.ended_at)) as first_area,
        max_by(coalesce(s.care_area, ''), row(s.started_at, s.ended_at)) as last_area,
        max_by(s.patient_key, row(s.started_at, s.ended_at)) as last_patient
    from segments as s
    semi join near as n
        on s.infusion_id = n.infusion_id
    group by s.infusion_id
),

neighbours as (
    select
        i.*,
        coalesce(d.first_area, coalesce(i.care_area, '')) as first_area,
        lag(i.ended_at) over on_channel as before_end,
        lag(i.end_kind) over on_channel as before_end_kind,
        lag(i.library_use) over on_channel as before_use,
        lag(i.entry) over on_channel as before_entry,
        lag(i.concentration_value) over on_channel as before_concentration,
        lag(i.concentration_unit) over on_channel as before_unit,
        lag(i.fluid_source) over on_channel as before_fluid,
        lag(coalesce(d.last_area, coalesce(i.care_area, ''))) over on_channel as before_area,
        lag(coalesce(d.last_patient, i.patient_key)) over on_channel as before_patient
    from near as i
    left join edges as d
        on i.infusion_id = d.infusion_id
    window on_channel as (
        partition by i.facility, i.pump_id, i.channel order by i.started_at, i.infusion_id
    )
),

candidates as (
    select
        n.infusion_id,
        n.facility,
        n.pump_id,
        n.channel,
        n.started_at,
        n.before_end
    from neighbours as n
    cross join measure_settings as t
    inner join window_span as w
        on n.started_at >= w.begins_at
    where
        n.start_kind = 'start'
        and n.before_end_kind in ('stopped', 'completed')
        and epoch_us(n.started_at) - epoch_us(n.before_end) <= t.variant_us
        and coalesce(n.library_use, 'unknown') = coalesce(n.before_use, 'unknown')
        and n.first_area = n.before_area
        -- null is 'not logged' and makes no difference
        and coalesce(n.entry <> n.before_entry, false) = false
        and coalesce(n.concentration_value <> n.before_concentration, false) = false
        and coalesce(n.concentration_unit <> n.before_unit, false) = false
        and coalesce(n.fluid_source <> n.before_fluid, false) = false
        and coalesce(n.patient_key <> n.before_patient, false) = false
),

interrupting as (
    select distinct facility, pump_id, channel, occurred_at
    from events
    where
        kind in ('powered_off', 'power_lost', 'powered_on', 'patient_changed', 'totals_cleared')
        and occurred_at >= (
            select w.begins_at - to_microseconds(t.variant_us)
            from window_span as w
            cross join measure_settings as t
        )
),

interrupting_all as (
    select facility, pump_id, occurred_at
    from interrupting
    where channel = ''
),

-- the last one up to the start tells whether one lies between
interrupted as (
    select c.infusion_id
    from candidates as c
    asof left join interrupting_all as p
        on c.facility = p.facility and c.pump_id = p.pump_id and c.started_at >= p.occurred_at
    asof left join interrupting as o
        on
            c.facility = o.facility
            and c.pump_id = o.pump_id
            and c.channel = o.channel
            and c.started_at >= o.occurred_at
    where p.occurred_at >= c.before_end or o.occurred_at >= c.before_end
),

joined as (
    select
        n.infusion_id,
        n.facility,
        n.pump_id,
        n.channel,
        n.started_at,
        sum(case when c.infusion_id is not null and x.infusion_id is null then 0 else 1 end) over (
            partition by n.facility, n.pump_id, n.channel order by n.started_at, n.infusion_id
            rows between unbounded preceding and current row
        ) as chain
    from neighbours as n
    left join candidates as c
        on n.infusion_id = c.infusion_id
    left join interrupted as x
        on n.infusion_id = x.infusion_id
)

select
    infusion_id,
    first_value(infusion_id) over (
        partition by facility, pump_id, channel, chain order by started_at, infusion_id
        rows between unbounded preceding and current row
    ) as first_infusion_id
from joined
