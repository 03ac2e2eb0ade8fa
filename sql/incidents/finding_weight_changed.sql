-- title: Another weight for the same patient
-- grain: one event that carries a weight unlike the one before
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
    '' as detail,
    [w.event_before, w.event_id] as evidence
from trace_weights as w
where
    w.patients = w.patients_before
    -- power clears the weight: what is typed after it may be of anybody (ruling 13)
    and w.power_turns = w.power_turns_before
    and w.weight_before > 0
    and w.weight_kg > 0
    and printf('%.5e', w.weight_kg) <> printf('%.5e', w.weight_before)
