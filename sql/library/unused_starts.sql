-- title: Clinical starts inside the library in the twelve months before the end
-- grain: one infusion
-- note: one whose start is missing from the log shows that the entry was used, and is no start
select
    coalesce(i.care_area, 'none selected') as care_area,
    i.entry,
    i.library_version,
    u.dimension as strength_dimension,
    cast(printf('%.5e', i.concentration_value * u.factor / u.per_volume_ml) as double) as strength,
    g.weight_kg,
    i.start_kind not in ('missing', 'patient_change') as is_start,
    c.source_name is not null or w.pump_id is not null as can_log
from infusions as i
inner join library_span as s
    on i.started_at >= s.ends_at - interval 12 month and i.started_at < s.ends_at
left join library_stretches as g
    on i.infusion_id = g.infusion_id and i.started_at = g.started_at and g.place = 1
left join units as u
    on i.concentration_unit = u.code and u.per_volume_ml is not null
left join warning_sources as c
    on i.source_name = c.source_name
left join warning_pumps as w
    on i.facility = w.facility and i.pump_id = w.pump_id
where
    i.entry is not null and i.library_use in ('limited', 'no_limit_entry') and not i.false_start
    and coalesce(i.use_context, 'unknown') not in ('maintenance', 'training')
