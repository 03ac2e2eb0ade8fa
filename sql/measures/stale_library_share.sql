-- title: Starts on a library although a newer release was available for more than the time that is allowed
-- grain: month, care area, entry, pump type, high-alert flag, source
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
    s.month,
    s.care_area,
    s.entry,
    s.pump_type,
    s.high_alert,
    s.source,
    cast(sum(case when s.can_log and j.is_stale and s.available_at is not null then 1 else 0 end) as bigint)
        as numerator,
    cast(sum(case when s.can_log and s.available_at is not null then 1 else 0 end) as bigint) as denominator,
    cast(sum(case when s.can_log and s.available_at is null then 1 else 0 end) as bigint) as left_out_unknown,
    cast(sum(case when s.can_log then 0 else 1 end) as bigint) as left_out_unable
from dated as s
left join judged as j
    on s.infusion_id = j.infusion_id
group by s.month, s.care_area, s.entry, s.pump_type, s.high_alert, s.source
