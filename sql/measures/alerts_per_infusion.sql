-- title: Programmings with a limit alert beside the in-library infusions that begin
-- grain: measure, cluster, month, care area, entry, pump type, high-alert flag, source
-- note: both sides belong to the month in which they happen; an alert late in a long infusion stands in its own
with beside as (
    select
        s.infusion_id as cluster,
        s.month,
        s.care_area,
        s.entry,
        s.pump_type,
        s.high_alert,
        s.source,
        c.source_name is not null as can_log,
        s.library_use <> 'unknown' and u.source is null as use_told,
        n.source is null as soft_told,
        h.source is null as hard_told,
        1 as infusions,
        0 as met_soft,
        0 as met_hard,
        0 as met_unknown
    from starts as s
    left join able_sources as c
        on s.source = c.source_name and c.measure = 'soft_alerts_per_100_infusions'
    left join untold_programmings as u
        on s.source = u.source and s.month = u.month
    left join untold_limit_kinds as n
        on s.source = n.source and s.month = n.month and n.limit_kind = 'soft'
    left join untold_limit_kinds as h
        on s.source = h.source and s.month = h.month and h.limit_kind = 'hard'
    where
        s.counts_as = 'start'
        and (
            s.library_use in ('limited', 'no_limit_entry')
            or (s.library_use = 'unknown' and c.source_name is not null)
        )
    union all
    select
        cluster,
        month,
        care_area,
        entry,
        pump_type,
        high_alert,
        source,
        can_log,
        use_told,
        soft_told or not met_soft as soft_told,
        hard_told or not met_hard as hard_told,
        0 as infusions,
        case when met_soft then 1 else 0 end as met_soft,
        case when met_hard then 1 else 0 end as met_hard,
        case when met_unknown then 1 else 0 end as met_unknown
    from limit_programmings
    where can_log and (met_soft or met_hard or met_unknown)
),

measured as (
    select
        *,
        'soft_alerts_per_100_infusions' as measure,
        met_soft as met,
        soft_told as kind_told
    from beside
    union all
    select
        *,
        'hard_alerts_per_100_infusions' as measure,
        met_hard as met,
        hard_told as kind_told
    from beside
)

select
    measure,
    cluster,
    month,
    care_area,
    entry,
    pump_type,
    high_alert,
    source,
    cast(sum(case when use_told and kind_told then met else 0 end) as bigint) as numerator,
    cast(sum(case when can_log and use_told and kind_told then infusions else 0 end) as bigint) as denominator,
    cast(sum(case when can_log and not use_told then infusions else 0 end) as bigint) as left_out_unknown,
    cast(sum(case when can_log then 0 else infusions end) as bigint) as left_out_unable,
    cast(sum(case when can_log and use_told and not kind_told then infusions else 0 end) as bigint) as left_out_untold,
    cast(sum(met_unknown) as bigint) as passed_over
from measured
group by measure, cluster, month, care_area, entry, pump_type, high_alert, source
