-- title: How long each release took to reach the pumps
-- grain: library version
-- why: a pump has a release once it runs it or a newer one. The pumps are those of models that ever had it and that
-- were heard after it was available; a share that was not reached has no time
with reached as (
    select v.facility, v.pump_id, r.library_version, min(v.first_seen_at) as ran_at
    from uptake_releases_known as r
    inner join uptake_releases_known as n
        on r.release_no <= n.release_no
    inner join library_versions as v
        on n.library_version = v.library_version
    group by v.facility, v.pump_id, r.library_version
),

models as (
    select distinct v.library_version, f.pump_model
    from library_versions as v
    inner join uptake_fleet as f
        on v.facility = f.facility and v.pump_id = f.pump_id
),

fleet as (
    select
        r.library_version, r.available_at, f.pump_id,
        case when t.ran_at is not null then greatest(epoch_us(t.ran_at) - epoch_us(r.available_at), 0) end as took_us
    from uptake_releases_known as r
    inner join models as m
        on r.library_version = m.library_version
    inner join uptake_fleet as f
        on m.pump_model = f.pump_model and r.available_at <= f.last_heard_at
    left join reached as t
        on f.facility = t.facility and f.pump_id = t.pump_id and r.library_version = t.library_version
    -- a pump that never names a version tells nothing
    where exists (
        select 1 from library_versions as v
        where v.facility = f.facility and v.pump_id = f.pump_id
    )
),

ranked as (
    select
        *,
        row_number() over (partition by library_version order by took_us nulls last, pump_id) as place,
        count(*) over (partition by library_version) as pumps
    from fleet
)

select
    r.library_version,
    r.available_at,
    r.is_published,
    coalesce(max(k.pumps), 0) as pumps,
    count(k.took_us) as pumps_reached,
    min(case when k.place * 100 >= k.pumps * 50 then k.took_us end) / 86400e6 as days_to_50,
    min(case when k.place * 100 >= k.pumps * 90 then k.took_us end) / 86400e6 as days_to_90,
    min(case when k.place * 100 >= k.pumps * 99 then k.took_us end) / 86400e6 as days_to_99
from uptake_releases_known as r
cross join library_span as s
left join ranked as k
    on r.library_version = k.library_version
where r.available_at < s.ends_at
group by r.library_version, r.available_at, r.is_published, r.release_no
order by r.release_no
