-- title: What rows and values in force say about each quantity of an attempt
-- grain: one quantity of one attempt in one reading
-- needs: attempt_sessions
-- why: logged, else computed from rate, dose, concentration and weight, in the unit of the limit (ruling 51)
with asked as (
    select q.*, f.values_before, f.values_after, f.is_confirmed, f.end_place, f.end_line, f.end_us
    from attempt_quantities as q
    inner join attempt_frames as f
        on q.watch_no = f.watch_no and q.session = f.session
    where q.quantity <> ''
),

-- up to 10 min after its end, until power or patient changes: what may bring an override inside (reversed)
broken as (
    select
        watch_no, pump_no, place, at_us, is_by_user, kind,
        -- the channels follow one another: where this one was never broken it is 0 or less
        max(watch_place) filter (where kind in ('powered_off', 'power_lost', 'powered_on') or patient_turned)
            over so_far
        - watch_no * 68719476736 as broken_place
    from attempt_sessions
    window so_far as (rows between unbounded preceding and current row)
),

watched as (
    select
        b.watch_no, b.place, b.at_us, b.broken_place, b.at_us // 600000000 as bucket, e.entry, e.weight_kg,
        e.concentration_value, e.concentration_unit, e.volume_to_infuse_ml, e.programmed_duration_s, e.bolus_dose_value,
        e.rate_ml_h, e.dose_value, e.dose_unit, v.now, v.line
    from broken as b
    inner join watch_events as e on b.pump_no = e.pump_no and b.place = e.place
    inner join programme_values as v on b.watch_no = v.watch_no and b.place = v.place
    where
        b.is_by_user
        and b.kind in ('infusion_started', 'infusion_resumed', 'rate_changed', 'programme_changed', 'weight_changed')
        and coalesce(v.now.library_use, '') <> 'bypassed'
),

later as (
    select
        a.watch_no, a.session, a.quantity, a.unit, 'later' as reading, w.place, w.entry,
        w.weight_kg as weight, w.concentration_value as concentration, w.concentration_unit,
        w.volume_to_infuse_ml as volume, w.programmed_duration_s as duration, w.bolus_dose_value as bolus,
        coalesce(w.dose_unit, w.now.dose.unit) as bolus_dose_unit, w.rate_ml_h as rate, w.dose_value as dose,
        w.dose_unit, w.now as context
    from asked as a
    cross join (
        select 0 as step
        union all
        select 1 as step
    ) as b
    inner join watched as w
        on
            a.watch_no = w.watch_no
            and a.end_us // 600000000 + b.step = w.bucket
            -- what runs on the other line says nothing about it, but a weight is the channel's
            and (a.end_line = w.line or a.quantity = 'weight')
    where
        w.place > a.end_place and w.at_us - a.end_us <= 600000000 and coalesce(w.broken_place, 0) <= a.end_place
),

own as (
    select
        a.watch_no, a.session, a.quantity, a.unit,
        case when l.place = a.end_place then 'own' else 'other' end as reading, l.place, l.entry,
        l.weight_kg as weight, l.concentration_value as concentration, l.concentration_unit,
        l.volume_to_infuse_ml as volume, l.programmed_duration_s as duration, l.bolus_dose_value as bolus,
        coalesce(l.dose_unit, a.values_after.dose.unit) as bolus_dose_unit, l.rate_ml_h as rate, l.dose_value as dose,
        l.dose_unit, a.values_after as context
    from asked as a
    inner join attempt_log as l
        on a.watch_no = l.watch_no and a.session = l.session
    where
        a.is_confirmed
        and (l.place = a.end_place or (l.mine and not l.is_limit_row and l.place > a.last_row_place))
),

held as (
    select
        a.watch_no, a.session, a.quantity, a.unit, h.reading, a.end_place as place,
        cast(null as varchar) as entry,
        h.now.weight_kg as weight, h.now.concentration.value as concentration,
        h.now.concentration.unit as concentration_unit, h.now.volume_ml as volume, h.now.duration_s as duration,
        cast(null as double) as bolus, cast(null as varchar) as bolus_dose_unit, h.now.rate_ml_h as rate,
        h.now.dose.value as dose, h.now.dose.unit as dose_unit, h.now as context
    from asked as a
    inner join (
        select watch_no, session, 'held_before' as reading, values_before as now
        from attempt_frames
        union all
        select watch_no, session, 'held_after' as reading, values_after as now
        from attempt_frames
    ) as h
        on a.watch_no = h.watch_no and a.session = h.session
),

readings as (
    select * from later
    union all
    select * from own
    union all
    select * from held
),

-- value, unit: as told where it needs no arithmetic; per_h: per hour for the whole patient, of a dose or a rate
plain as (
    select
        r.*,
        case r.quantity
            when 'weight' then r.weight
            when 'concentration' then r.concentration
            when 'volume' then r.volume
            when 'duration' then r.duration
            when 'bolus_dose' then r.bolus
            when 'dose_rate' then coalesce(r.dose, r.rate)
            when 'flow_rate' then coalesce(r.rate, r.dose)
        end as told,
        case r.quantity
            when 'weight' then 'kg'
            when 'concentration' then r.concentration_unit
            when 'volume' then 'mL'
            when 'duration' then 's'
            when 'bolus_dose' then split_part(r.bolus_dose_unit, '/', 1)
            when 'dose_rate' then case when r.dose is not null then r.dose_unit else 'mL/h' end
            when 'flow_rate' then case when r.rate is not null then 'mL/h' else r.dose_unit end
        end as told_unit,
        c.dimension as drug_dimension,
        r.context.concentration.value * c.factor / c.per_volume_ml as drug_per_ml
    from readings as r
    left join units as c on r.context.concentration.unit = c.code and c.per_volume_ml is not null
)

select
    p.watch_no, p.session, p.quantity, p.reading, p.place, p.entry,
    case
        when coalesce(p.told_unit, '') = coalesce(p.unit, '') then p.told
        when
            f.dimension = t.dimension and f.per_m2 = t.per_m2
            and (f.per_time_s is null) = (t.per_time_s is null)
            and (f.per_volume_ml is null) = (t.per_volume_ml is null)
            and (f.per_kg = t.per_kg or (p.quantity in ('dose_rate', 'flow_rate') and p.context.weight_kg > 0))
            then
                p.told * f.factor / coalesce(f.per_time_s, 1.0) / coalesce(f.per_volume_ml, 1.0)
                / (t.factor / coalesce(t.per_time_s, 1.0) / coalesce(t.per_volume_ml, 1.0))
                * case
                    when f.per_kg and not t.per_kg then p.context.weight_kg
                    when t.per_kg and not f.per_kg then 1.0 / p.context.weight_kg
                    else 1.0
                end
        -- a dose rate that follows from the flow rate
        when
            p.quantity = 'dose_rate' and p.dose is null and t.dimension = p.drug_dimension and not t.per_m2
            and t.per_time_s is not null and (not t.per_kg or p.context.weight_kg > 0)
            then
                p.rate * p.drug_per_ml / 3600.0 / (t.factor / t.per_time_s)
                / case when t.per_kg then p.context.weight_kg else 1.0 end
        -- a flow rate that follows from the dose rate (ruling 51)
        when
            p.quantity = 'flow_rate' and p.rate is null and f.dimension = p.drug_dimension and p.drug_per_ml > 0
            and not f.per_m2 and f.per_time_s is not null and t.dimension = 'volume' and t.per_time_s is not null
            and not t.per_kg and not t.per_m2 and (not f.per_kg or p.context.weight_kg > 0)
            then
                p.dose * f.factor / f.per_time_s * case when f.per_kg then p.context.weight_kg else 1.0 end
                / p.drug_per_ml / (t.factor / t.per_time_s)
    end as value
from plain as p
left join units as f on p.told_unit = f.code
left join units as t on p.unit = t.code
