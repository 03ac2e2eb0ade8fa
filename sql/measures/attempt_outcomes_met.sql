-- title: What became of attempts that met a soft, and a hard, limit
-- grain: measure, month, care area, entry, pump type, high-alert flag, source, outcome
with met as (
    select
        *,
        'outcomes_soft' as measure,
        met_unknown as untold
    from limit_attempts
    where met_soft or met_unknown
    union all
    select
        *,
        'outcomes_hard' as measure,
        hard_unknown as untold
    from limit_attempts
    where met_hard or hard_unknown
)

select
    measure,
    month,
    care_area,
    entry,
    pump_type,
    high_alert,
    source,
    outcome,
    cast(sum(case when can_log and not untold then 1 else 0 end) as bigint) as numerator,
    cast(sum(case when can_log and not untold then 1 else 0 end) as bigint) as denominator,
    cast(0 as bigint) as left_out_unknown,
    cast(sum(case when can_log then 0 else 1 end) as bigint) as left_out_unable,
    cast(sum(case when can_log and untold then 1 else 0 end) as bigint) as left_out_untold
from met
group by measure, month, care_area, entry, pump_type, high_alert, source, outcome
