-- title: Two weights of one patient that stand near the ratio of pounds to kilograms
-- grain: patient, two weights
-- why: a weight in pounds typed as kilograms is 2.205 times the patient's other weight; the wider neighbourhood tells
-- how many matches chance would give
with told as (
    select
        patient_key, weight_kg, occurred_at as happened_at, pump_id, channel, event_id as row_id, care_area
    from counting_events
    where patient_key is not null and weight_kg > 0
    union all
    select
        g.patient_key, g.weight_kg, g.started_at as happened_at, g.pump_id, g.channel, g.infusion_id as row_id,
        g.care_area
    from segments as g
    where g.patient_key is not null and g.weight_kg > 0
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
    p.pump_id
from pairs as p
cross join library_span as s
where p.in_span
order by happened_on, shift, care_area, p.weight_kg, p.row_id
