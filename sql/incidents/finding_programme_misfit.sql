-- title: Programmed values that do not fit together
-- grain: one event that carries them
-- note: rate x time against the volume; and dose x weight / concentration against the rate
with volumes as (
    select
        e.facility, e.pump_id, e.channel,
        e.occurred_at as at,
        cast(null as varchar) as infusion_id,
        e.care_area, e.entry,
        e.volume_to_infuse_ml as expected,
        e.rate_ml_h * e.programmed_duration_s / 3600 as found,
        'mL' as unit,
        'volume' as detail,
        [e.event_id] as evidence
    from events as e
    where e.volume_to_infuse_ml > 0 and e.rate_ml_h > 0 and e.programmed_duration_s > 0
),

-- only what one event logs together: a dose in force may be that of a programme before it
doses as (
    select
        e.facility, e.pump_id, e.channel,
        e.occurred_at as at,
        s.infusion_id,
        s.care_area, s.entry,
        e.rate_ml_h as expected,
        e.dose_value * (d.factor / d.per_time_s)
        * case when d.per_kg then coalesce(e.weight_kg, s.weight_kg) else 1 end
        / (coalesce(e.concentration_value, s.concentration_value) * c.factor / c.per_volume_ml) * 3600 as found,
        'mL/h' as unit,
        'dose' as detail,
        [e.event_id] as evidence
    from events as e
    inner join segments as s
        on
            e.facility = s.facility and e.pump_id = s.pump_id and e.channel = s.channel
            and e.occurred_at = s.started_at
    inner join units as d on e.dose_unit = d.code
    inner join units as c on coalesce(e.concentration_unit, s.concentration_unit) = c.code
    where
        s.state = 'running'
        and e.rate_ml_h > 0 and e.dose_value > 0 and coalesce(e.concentration_value, s.concentration_value) > 0
        and d.dimension = c.dimension and not d.per_m2
        and d.per_time_s is not null and c.per_volume_ml is not null
        and (not d.per_kg or coalesce(e.weight_kg, s.weight_kg) > 0)
),

first_doses as (
    select *
    from doses
    qualify row_number() over (
        partition by doses.infusion_id, printf('%.2e', doses.found / doses.expected) order by doses.at
    ) = 1
)

select
    v.facility, v.pump_id, v.channel, v.at, v.at as until_at, v.infusion_id, v.care_area, v.entry,
    greatest(v.found / v.expected, v.expected / v.found) as size,
    v.expected as before_value,
    v.found as after_value,
    v.unit, v.detail, v.evidence
from (
    select * from volumes
    union all
    select * from first_doses
) as v
cross join trace_settings as t
where v.found > 0 and abs(v.found / v.expected - 1) > t.misfit_share
