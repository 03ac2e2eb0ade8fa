-- title: Starts on a library although a newer release was available longer than the site allows
-- grain: care area, library version
-- note: a release counts for a model only if some pump of that model ever had it
with starts as (
    select
        i.infusion_id, i.started_at, i.library_version,
        coalesce(i.care_area, 'none selected') as care_area,
        coalesce(f.pump_model, '') as pump_model,
        s.stale_us
    from infusions as i
    inner join library_span as s
        on i.started_at >= s.begins_at and i.started_at < s.ends_at
    left join uptake_fleet as f
        on i.facility = f.facility and i.pump_id = f.pump_id
    where
        not i.false_start and i.start_kind not in ('missing', 'patient_change')
        and coalesce(i.use_context, 'unknown') not in ('maintenance', 'training')
),

models as (
    select distinct f.pump_model, v.library_version
    from library_versions as v
    inner join uptake_fleet as f
        on v.facility = f.facility and v.pump_id = f.pump_id
),

judged as (
    select
        t.infusion_id,
        max(epoch_us(t.started_at) - epoch_us(n.available_at)) as behind_us
    from starts as t
    inner join uptake_releases_known as r
        on t.library_version = r.library_version
    inner join uptake_releases_known as n
        on r.release_no < n.release_no and r.available_at < n.available_at
    inner join models as m
        on t.pump_model = m.pump_model and n.library_version = m.library_version
    where epoch_us(t.started_at) - epoch_us(n.available_at) > t.stale_us
    group by t.infusion_id
)

select
    t.care_area,
    coalesce(t.library_version, 'not logged') as library_version,
    count(*) as starts,
    case when t.library_version is not null then count(j.infusion_id) end as stale_starts,
    max(j.behind_us) / 86400e6 as most_days_behind
from starts as t
left join judged as j
    on t.infusion_id = j.infusion_id
group by t.care_area, t.library_version
order by t.care_area, coalesce(t.library_version, 'not logged')
