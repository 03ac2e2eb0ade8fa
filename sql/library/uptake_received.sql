-- title: Libraries that arrived at a pump and did not come into force there
-- grain: pump, library version
with received as (
    select facility, pump_id, library_version, min(occurred_at) as received_at
    from counting_events
    where kind = 'library_received' and library_version is not null
    group by facility, pump_id, library_version
)

select
    r.pump_id,
    r.library_version,
    r.received_at,
    f.last_heard_at,
    (epoch_us(f.last_heard_at) - epoch_us(r.received_at)) / 86400e6 as days_waited
from received as r
cross join library_span as s
inner join uptake_fleet as f
    on r.facility = f.facility and r.pump_id = f.pump_id
left join library_versions as v
    on
        r.facility = v.facility and r.pump_id = v.pump_id and r.library_version = v.library_version
        and coalesce(v.until_at, v.last_seen_at) >= r.received_at
where v.pump_id is null and r.received_at < s.ends_at
order by r.received_at, r.pump_id, r.library_version
