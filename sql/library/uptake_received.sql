-- title: Libraries that arrived at a pump and did not come into force there
-- grain: pump, library version
-- why: one that a newer one overtook was not left lying; one that still waits is
with received as (
    select e.facility, e.pump_id, e.library_version, min(e.occurred_at) as received_at
    from counting_events as e
    inner join library_span as s
        on e.occurred_at < s.ends_at
    where e.kind = 'library_received' and e.library_version is not null
    group by e.facility, e.pump_id, e.library_version
),

-- a release comes when it arrives or when it is in force
came as (
    select facility, pump_id, library_version, received_at as came_at
    from received
    union all
    select v.facility, v.pump_id, v.library_version, v.first_seen_at as came_at
    from library_versions as v
    inner join library_span as s
        on v.first_seen_at < s.ends_at
),

waiting as (
    select r.*
    from received as r
    cross join library_span as s
    where
        not exists (
            select 1
            from library_versions as v
            where
                r.facility = v.facility and r.pump_id = v.pump_id and r.library_version = v.library_version
                and v.first_seen_at < s.ends_at and coalesce(v.until_at, v.last_seen_at) >= r.received_at
        )
),

overtaken as (
    select
        w.facility, w.pump_id, w.library_version,
        min(c.came_at) as overtaken_at,
        arg_min(c.library_version, {'came_at': c.came_at, 'name': c.library_version}) as overtaken_by
    from waiting as w
    inner join came as c
        on w.facility = c.facility and w.pump_id = c.pump_id and w.received_at < c.came_at
    left join uptake_releases_known as o
        on w.library_version = o.library_version
    left join uptake_releases_known as n
        on c.library_version = n.library_version
    -- what no library file and no pump tells the place of is taken as newer if it came later
    where c.library_version <> w.library_version and coalesce(n.release_no > o.release_no, true)
    group by w.facility, w.pump_id, w.library_version
)

select
    case when o.overtaken_at is not null then 'overtaken' else 'not_installed' end as what,
    w.pump_id,
    w.library_version,
    w.received_at,
    o.overtaken_by,
    o.overtaken_at,
    f.last_heard_at,
    (epoch_us(coalesce(o.overtaken_at, f.last_heard_at)) - epoch_us(w.received_at)) / 86400e6 as days_waited
from waiting as w
inner join uptake_fleet as f
    on w.facility = f.facility and w.pump_id = f.pump_id
left join overtaken as o
    on w.facility = o.facility and w.pump_id = o.pump_id and w.library_version = o.library_version
order by w.received_at, w.pump_id, w.library_version
