-- title: Values first entered many times above or below what was then confirmed
-- grain: one attempt
select
    a.facility, a.pump_id, a.channel,
    a.first_alert_at as at,
    coalesce(a.decided_at, a.last_alert_at) as until_at,
    a.infusion_id, a.care_area, a.entry,
    greatest(a.change_factor, 1 / a.change_factor) as size,
    a.entered_first as before_value,
    a.entered_final as after_value,
    a.limit_unit as unit,
    a.outcome as detail,
    [split_part(a.attempt_id, ':', 1)] as evidence
from attempts as a
cross join trace_settings as t
where
    a.change_factor > 0
    and cast(printf('%.5e', greatest(a.change_factor, 1 / a.change_factor)) as double) >= t.step_factor
