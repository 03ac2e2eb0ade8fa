-- title: Programmings with a soft or hard limit alert, infusion by infusion: the interval is clustered
-- grain: measure, cluster, month, care area, entry, pump type, high-alert flag, source, phase
with met as (
    select
        *,
        'soft_alert_share' as measure,
        met_soft as has_met
    from limit_programmings
    union all
    select
        *,
        'hard_alert_share' as measure,
        met_hard as has_met
    from limit_programmings
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
    phase,
    cast(sum(case when can_log and has_met then 1 else 0 end) as bigint) as numerator,
    cast(sum(case when can_log then 1 else 0 end) as bigint) as denominator,
    cast(0 as bigint) as left_out_unknown,
    cast(sum(case when can_log then 0 else 1 end) as bigint) as left_out_unable
from met
group by measure, cluster, month, care_area, entry, pump_type, high_alert, source, phase
