-- title: What confirmed programmings set, with what was in force before
-- grain: one confirmed programming inside the library
-- why: rate, dose, concentration and weight from the stretch that begins with it (no dose that was told of another
-- rate); volume and time only where the row itself tells them. A value that did not change is not programmed anew,
-- and no pump warns of it again
with confirmed as (
    select * from library_programmings
    where not ended_with_none
),

-- stretches and programmings of a channel in one order of time
merged as (
    select
        facility, pump_id, channel,
        started_at as happened_at,
        0 as rank,
        '' as programming_id,
        {
            'infusion_id': infusion_id, 'started_at': started_at, 'rate_ml_h': rate_ml_h,
            'dose_value': dose_value, 'dose_unit': dose_unit,
            'concentration_value': concentration_value, 'concentration_unit': concentration_unit,
            'weight_kg': weight_kg, 'library_version': library_version
        } as told
    from library_stretches
    where place = 1
    union all
    select facility, pump_id, channel, happened_at, 1 as rank, programming_id, null as told
    from confirmed
),

-- the stretch in force, and the one before it that began earlier
held as (
    select
        *,
        last_value(told ignore nulls) over (
            partition by facility, pump_id, channel order by happened_at, rank, programming_id
            rows between unbounded preceding and current row
        ) as now,
        last_value(told ignore nulls) over (
            partition by facility, pump_id, channel order by happened_at
            range between unbounded preceding and interval 1 microsecond preceding
        ) as was
    from merged
),

-- a stretch of no length is none: then the row itself tells the rate, and an older stretch of the infusion the rest
placed as (
    select
        p.*,
        case when h.was.infusion_id = p.infusion_id then h.was end as was,
        case when h.now.infusion_id = p.infusion_id then h.now end as now,
        coalesce(h.now.infusion_id = p.infusion_id and h.now.started_at = p.happened_at, false) as begins_here
    from confirmed as p
    inner join held as h
        on
            p.facility = h.facility and p.pump_id = h.pump_id and p.channel = h.channel
            and p.programming_id = h.programming_id and h.rank = 1
),

valued as (
    select
        p.* exclude (now, begins_here),
        -- a release may have come since the infusion began
        coalesce(e.library_version, p.now.library_version, i.library_version) as library_version,
        case
            when p.begins_here or coalesce(e.rate_ml_h, e.dose_value) is null
                then coalesce(p.now.rate_ml_h, e.rate_ml_h)
            else e.rate_ml_h
        end as rate_ml_h,
        case
            when p.begins_here or coalesce(e.rate_ml_h, e.dose_value) is null
                then coalesce(p.now.dose_value, e.dose_value)
            else e.dose_value
        end as dose_value,
        case
            when (p.begins_here or coalesce(e.rate_ml_h, e.dose_value) is null) and p.now.dose_value is not null
                then p.now.dose_unit
            else e.dose_unit
        end as dose_unit,
        case
            when p.begins_here then coalesce(p.now.concentration_value, e.concentration_value)
            else coalesce(e.concentration_value, p.now.concentration_value)
        end as concentration_value,
        case
            when p.begins_here and p.now.concentration_value is not null then p.now.concentration_unit
            when e.concentration_value is not null then e.concentration_unit
            else p.now.concentration_unit
        end as concentration_unit,
        case
            when p.begins_here then coalesce(p.now.weight_kg, e.weight_kg) else coalesce(e.weight_kg, p.now.weight_kg)
        end as weight_kg,
        e.volume_to_infuse_ml as volume_ml,
        e.programmed_duration_s as duration_s,
        case when p.phase = 'bolus' then e.bolus_dose_value end as bolus_value,
        case when p.phase = 'bolus' then split_part(coalesce(e.dose_unit, p.now.dose_unit), '/', 1) end as bolus_unit
    from placed as p
    left join events as e
        on split_part(p.programming_id, ':', 1) = e.event_id
    left join infusions as i
        on p.infusion_id = i.infusion_id
)

select
    * exclude (was),
    phase = 'start'
    or coalesce(
        printf('%.5e', rate_ml_h) <> printf('%.5e', was.rate_ml_h), (rate_ml_h is null) <> (was.rate_ml_h is null)
    )
    or coalesce(
        printf('%.5e', dose_value) <> printf('%.5e', was.dose_value), (dose_value is null) <> (was.dose_value is null)
    )
    or coalesce(dose_unit, '') <> coalesce(was.dose_unit, '')
    or coalesce(
        printf('%.5e', concentration_value) <> printf('%.5e', was.concentration_value),
        (concentration_value is null) <> (was.concentration_value is null)
    ) as sets_rate,
    phase = 'start'
    or coalesce(
        printf('%.5e', concentration_value) <> printf('%.5e', was.concentration_value),
        (concentration_value is null) <> (was.concentration_value is null)
    ) as sets_concentration
from valued
