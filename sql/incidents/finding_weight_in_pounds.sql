-- title: Weights that would fit if they were pounds
-- grain: one attempt on a weight limit, or one change of weight
-- note: past a high limit, and inside it as pounds; or 2.2 times the same patient's other weight, either way
select
    a.facility, a.pump_id, a.channel,
    a.first_alert_at as at,
    coalesce(a.decided_at, a.last_alert_at) as until_at,
    a.infusion_id, a.care_area, a.entry,
    coalesce(a.entered_final, a.entered_first) / a.limit_value as size,
    coalesce(a.entered_final, a.entered_first) / t.pounds_per_kg as before_value,
    coalesce(a.entered_final, a.entered_first) as after_value,
    'kg' as unit,
    'past the limit' as detail,
    [split_part(a.attempt_id, ':', 1)] as evidence
from attempts as a
cross join trace_settings as t
where
    a.limit_quantity = 'weight'
    and a.limit_side = 'high'
    and a.limit_value > 0
    and coalesce(a.entered_final, a.entered_first) > a.limit_value
    and coalesce(a.entered_final, a.entered_first) / t.pounds_per_kg <= a.limit_value
union all
select
    w.facility, w.pump_id, w.channel,
    w.occurred_at as at,
    w.occurred_at as until_at,
    cast(null as varchar) as infusion_id,
    w.care_area, w.entry,
    greatest(w.weight_kg / w.weight_before, w.weight_before / w.weight_kg) as size,
    w.weight_before as before_value,
    w.weight_kg as after_value,
    'kg' as unit,
    'against the other weight' as detail,
    [w.event_before, w.event_id] as evidence
from trace_weights as w
cross join trace_settings as t
where
    -- across power too, unlike a weight that changed: a suspicion, and the same patient is often weighed anew
    w.patients = w.patients_before
    and w.weight_before > 0
    and w.weight_kg > 0
    and abs(greatest(w.weight_kg / w.weight_before, w.weight_before / w.weight_kg) / t.pounds_per_kg - 1)
    <= t.pounds_tolerance
