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
        1 as infusions,
        0 as met_soft,
        0 as met_hard
    from starts as s
    left join able_sources as c
        on s.source = c.source_name and c.measure = 'soft_alerts_per_100_infusions'
    where s.counts_as = 'start' and s.library_use in ('limited', 'no_limit_entry')
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
        0 as infusions,
        case when met_soft then 1 else 0 end as met_soft,
        case when met_hard then 1 else 0 end as met_hard
    from limit_programmings
    where can_log and (met_soft or met_hard)
),

measured as (
    select
        *,
        'soft_alerts_per_100_infusions' as measure,
        met_soft as met
    from beside
    union all
    select
        *,
        'hard_alerts_per_100_infusions' as measure,
        met_hard as met
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
    cast(sum(met) as bigint) as numerator,
    cast(sum(case when can_log then infusions else 0 end) as bigint) as denominator,
    cast(0 as bigint) as left_out_unknown,
    cast(sum(case when can_log then 0 else infusions end) as bigint) as left_out_unable
from measured
group by measure, cluster, month, care_area, entry, pump_type, high_alert, source
