-- title: Starts on a library although a newer release was available for more than the time that is allowed
-- grain: month, care area, entry, pump type, high-alert flag, source
select
    month,
    care_area,
    entry,
    pump_type,
    high_alert,
    source,
    cast(sum(case when can_log and is_stale then 1 else 0 end) as bigint) as numerator,
    cast(sum(case when can_log and is_known then 1 else 0 end) as bigint) as denominator,
    cast(sum(case when can_log and not is_known then 1 else 0 end) as bigint) as left_out_unknown,
    cast(sum(case when can_log then 0 else 1 end) as bigint) as left_out_unable
from start_releases
group by month, care_area, entry, pump_type, high_alert, source
