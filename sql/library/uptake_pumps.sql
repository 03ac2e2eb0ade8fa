-- title: Which pump ran which library, from when to when
-- grain: one unbroken stretch of one version on one pump that reaches into the time that is looked at
select
    v.pump_id,
    f.pump_model,
    v.library_version,
    r.available_at,
    v.first_seen_at,
    v.last_seen_at,
    v.until_at
from library_versions as v
cross join library_span as s
left join uptake_fleet as f
    on v.facility = f.facility and v.pump_id = f.pump_id
left join uptake_releases_known as r
    on v.library_version = r.library_version
where v.first_seen_at < s.ends_at and coalesce(v.until_at, v.last_seen_at) >= s.begins_at
order by v.pump_id, v.first_seen_at, v.stretch
