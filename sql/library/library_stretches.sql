-- title: Stretches, each with its dose only where that was told of the rate, weight and concentration that hold
-- grain: one stretch of a channel; `place` 1: the longest of those that begin together
-- why: a log may tell a dose with the start and rates alone after it. Null is not logged (ruling 13), so a segment
-- keeps the dose that was told, and says nothing of the dose at another rate: that one follows from the rate
with stretches as (
    select
        infusion_id, facility, pump_id, channel, started_at, state, entry, rate_ml_h, dose_value, dose_unit,
        concentration_value, concentration_unit, weight_kg, library_version,
        row_number() over (
            partition by facility, pump_id, channel, started_at
            order by coalesce(ended_at, timestamptz '9999-01-01 00:00:00+00') desc, infusion_id, state
        ) as place
    from segments
),

spoken as (
    select
        facility, pump_id, channel, occurred_at, dose_value, dose_unit,
        max_by(rate_ml_h, {'sequence': coalesce(sequence, 0), 'id': event_id}) as rate_ml_h
    from counting_events
    where
        dose_value is not null
        and (
            kind in ('infusion_started', 'infusion_resumed', 'rate_changed', 'programme_changed', 'library_bypassed')
            or event_id in (select split_part(infusion_id, ':', 1) from infusions)
        )
    group by facility, pump_id, channel, occurred_at, dose_value, dose_unit
),

first_places as (
    select * from stretches
    where place = 1
),

-- of what a dose was told: the rate beside it, else the one that followed from it
told as (
    select
        p.facility, p.pump_id, p.channel, p.occurred_at, p.dose_value, p.dose_unit,
        s.entry, s.concentration_value, s.concentration_unit, s.weight_kg,
        coalesce(p.rate_ml_h, case when s.state = 'running' then s.rate_ml_h end) as rate_ml_h
    from spoken as p
    asof inner join first_places as s
        on
            p.facility = s.facility and p.pump_id = s.pump_id and p.channel = s.channel
            and p.occurred_at >= s.started_at
),

compared as (
    select
        s.*,
        s.state <> 'running'
        or (
            coalesce(
                printf('%.5e', s.rate_ml_h) = printf('%.5e', t.rate_ml_h),
                t.dose_value is not null and s.rate_ml_h is null and t.rate_ml_h is null
            )
            and coalesce(printf('%.5e', s.weight_kg) = printf('%.5e', t.weight_kg), true)
            and coalesce(printf('%.5e', s.concentration_value) = printf('%.5e', t.concentration_value), true)
            and coalesce(s.concentration_unit = t.concentration_unit, true)
            and coalesce(s.entry = t.entry, true)
        ) as dose_holds
    from stretches as s
    asof left join told as t
        on
            s.facility = t.facility and s.pump_id = t.pump_id and s.channel = t.channel
            and s.dose_value = t.dose_value and s.dose_unit = t.dose_unit
            and s.started_at >= t.occurred_at
)

select
    * exclude (dose_holds, dose_value, dose_unit),
    case when dose_holds then dose_value end as dose_value,
    case when dose_holds then dose_unit end as dose_unit
from compared
