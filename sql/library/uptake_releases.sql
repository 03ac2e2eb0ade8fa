-- title: How long each release took to reach the pumps
-- grain: library version
-- why: a pump has a release once it runs it or a newer one. Counted are pumps of models that ever had it, that named a
-- library before the release was there and were heard after: of one that was heard first later nobody knows since when.
-- A share that was not reached before the end of what is looked at has no time
with reached as (
    select v.facility, v.pump_id, r.library_version, min(v.first_seen_at) as ran_at
    from uptake_releases_known as r
    inner join uptake_releases_known as n
        on r.release_no <= n.release_no
    inner join library_versions as v
        on n.library_version = v.library_version
    inner join library_span as s
        on v.first_seen_at < s.ends_at
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
        r.library_version, f.pump_id,
        f.named_since < r.available_at as is_counted,
        case when t.ran_at is not null then greatest(epoch_us(t.ran_at) - epoch_us(r.available_at), 0) end as took_us
    from uptake_releases_known as r
    inner join models as m
        on r.library_version = m.library_version
    -- a pump that never names a version tells nothing
    inner join uptake_fleet as f
        on m.pump_model = f.pump_model and r.available_at <= f.last_heard_at and f.named_since is not null
    left join reached as t
        on f.facility = t.facility and f.pump_id = t.pump_id and r.library_version = t.library_version
),

left_out as (
    select library_version, count(*) as pumps_left_out
    from fleet
    where not is_counted
    group by library_version
),

ranked as (
    select
        *,
        row_number() over (partition by library_version order by took_us nulls last, pump_id) as place,
        count(*) over (partition by library_version) as pumps
    from fleet
    where is_counted
),

log_end as (
    select max(last_heard_at) as ends_at from uptake_fleet
)

select
    r.library_version,
    r.available_at,
    r.is_published,
    coalesce(max(k.pumps), 0) as pumps,
    count(k.took_us) as pumps_reached,
    coalesce(max(o.pumps_left_out), 0) as pumps_left_out,
    min(case when k.place * 100 >= k.pumps * 50 then k.took_us end) / 86400e6 as days_to_50,
    min(case when k.place * 100 >= k.pumps * 90 then k.took_us end) / 86400e6 as days_to_90,
    min(case when k.place * 100 >= k.pumps * 99 then k.took_us end) / 86400e6 as days_to_99,
    greatest(epoch_us(max(e.ends_at)) - epoch_us(r.available_at), 0) / 86400e6 as days_looked
from uptake_releases_known as r
inner join library_span as s
    on r.available_at < s.ends_at
cross join log_end as e
left join ranked as k
    on r.library_version = k.library_version
left join left_out as o
    on r.library_version = o.library_version
group by r.library_version, r.available_at, r.is_published, r.release_no
order by r.release_no
