-- title: Weights that stand near the ratio of pounds to kilograms to another weight of the same patient
-- grain: patient, the higher weight
-- why: a weight in pounds typed as kilograms is 2.205 times the patient's other weight. Each weight is one suspicion,
-- beside the other weight that comes nearest; `tries`: how many of the others are in the neighbourhood that tells how
-- many matches chance would give. What a pump still held of the patient before is no weight of the next
with stretches as (
    select
        facility, pump_id, channel, patient_key, weight_kg, started_at, infusion_id, state, care_area,
        lag(patient_key) over in_channel as patient_before,
        lag(weight_kg) over in_channel as weight_before
    from segments
    window in_channel as (partition by facility, pump_id, channel order by started_at, infusion_id, state)
),

marked as (
    select
        *,
        coalesce(patient_key <> patient_before, true) as is_new
    from stretches
),

numbered as (
    select
        *,
        sum(case when is_new then 1 else 0 end) over (
            partition by facility, pump_id, channel order by started_at, infusion_id, state
            rows between unbounded preceding and current row
        ) as stay
    from marked
),

held as (
    select
        *,
        first_value(case when is_new then weight_before end) over in_stay as carried_kg,
        max(case when is_new or coalesce(weight_kg = weight_before, true) then 0 else 1 end) over in_stay as is_told
    from numbered
    window in_stay as (
        partition by facility, pump_id, channel, stay order by started_at, infusion_id, state
        rows between unbounded preceding and current row
    )
),

told as (
    select
        patient_key, weight_kg, occurred_at as happened_at, pump_id, channel, event_id as row_id, care_area
    from counting_events
    where patient_key is not null and weight_kg > 0
    union all
    select patient_key, weight_kg, started_at as happened_at, pump_id, channel, infusion_id as row_id, care_area
    from held
    where
        patient_key is not null and weight_kg > 0
        and (is_told = 1 or carried_kg is null or weight_kg <> carried_kg)
),

weights as (
    select
        t.patient_key,
        cast(printf('%.5e', t.weight_kg) as double) as weight_kg,
        min(t.happened_at) as first_at,
        arg_min(t.row_id, {'happened_at': t.happened_at, 'row_id': t.row_id}) as row_id,
        arg_min(t.pump_id, {'happened_at': t.happened_at, 'row_id': t.row_id}) as pump_id,
        arg_min(t.care_area, {'happened_at': t.happened_at, 'row_id': t.row_id}) as care_area,
        max(t.happened_at) as last_at
    from told as t
    cross join library_span as s
    where t.happened_at < s.ends_at
    group by t.patient_key, cast(printf('%.5e', t.weight_kg) as double)
),

pairs as (
    select
        h.patient_key, h.weight_kg, l.weight_kg as other_weight_kg, h.weight_kg / l.weight_kg as factor,
        h.first_at, h.row_id, h.pump_id, h.care_area,
        h.last_at >= s.begins_at or l.last_at >= s.begins_at as in_span
    from weights as h
    inner join weights as l
        on h.patient_key = l.patient_key and h.weight_kg > l.weight_kg
    cross join library_span as s
    where h.weight_kg / l.weight_kg >= 2.205 / 1.25 and h.weight_kg / l.weight_kg <= 2.205 * 1.25
),

nearest as (
    select
        *,
        count(*) over (partition by patient_key, weight_kg) as tries
    from pairs
    where in_span
    qualify
        row_number() over (
            partition by patient_key, weight_kg order by abs(ln(factor / 2.205)), other_weight_kg
        ) = 1
)

select
    'a weight in pounds typed as kilograms' as suspicion,
    cast(2.205 as double) as ratio,
    p.factor,
    cast(printf('%.5e', p.factor / 2.205) as double) between 0.98 and 1.02 as is_match,
    p.row_id as case_id,
    cast(timezone(s.zone, p.first_at) as date) as happened_on,
    case
        when extract(hour from timezone(s.zone, p.first_at)) < 8 then '00-08'
        when extract(hour from timezone(s.zone, p.first_at)) < 16 then '08-16'
        else '16-24'
    end as shift,
    coalesce(p.care_area, 'none selected') as care_area,
    p.weight_kg,
    p.other_weight_kg,
    p.pump_id,
    p.tries
from nearest as p
cross join library_span as s
order by happened_on, shift, care_area, p.weight_kg, p.row_id
