-- title: Uses and limit alerts of each infusion, by the library that the pump ran
-- grain: care area, entry, library version, infusion
-- note: alerts of one infusion come together: an interval has to count infusions
select
    p.care_area,
    p.entry,
    v.library_version,
    p.cluster,
    count(*) as uses,
    cast(sum(p.alerts) as bigint) as limit_alerts
from library_programmings as p
inner join library_versions as v
    on
        p.facility = v.facility and p.pump_id = v.pump_id
        and p.happened_at >= v.first_seen_at and (v.until_at is null or p.happened_at < v.until_at)
where p.can_log
group by p.care_area, p.entry, v.library_version, p.cluster
