-- title: Starts and the library release that each ran on: known, and out of date
-- grain: one start of the months
-- note: out of date is a start on an older version although a newer one was available for longer than is allowed
with dated as (
    select
        s.*,
        coalesce(d.pump_model, '') as pump_model,
        r.available_at
    from starts as s
    left join pump_models as d
        on s.pump_id = d.pump_id
    left join library_releases as r
        on coalesce(d.pump_model, '') = r.pump_model and s.library_version = r.library_version
    where s.counts_as = 'start'
),

judged as (
    select
        s.infusion_id,
        bool_or(epoch_us(s.started_at) - epoch_us(r.available_at) > t.stale_us) as is_stale
    from dated as s
    inner join library_releases as r
        on s.pump_model = r.pump_model and s.available_at < r.available_at
    cross join measure_settings as t
    group by s.infusion_id
)

select
    s.infusion_id,
    s.pump_id,
    s.month,
    s.care_area,
    s.entry,
    s.pump_type,
    s.high_alert,
    s.source,
    s.library_version,
    s.can_log,
    s.available_at is not null as is_known,
    coalesce(j.is_stale, false) and s.available_at is not null as is_stale
from dated as s
left join judged as j
    on s.infusion_id = j.infusion_id
