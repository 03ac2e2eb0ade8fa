-- title: Library use by starts: counts for every group that a table can be split by
-- grain: month, care area, entry, pump type, high-alert flag, source
select
    month,
    care_area,
    entry,
    pump_type,
    high_alert,
    source,
    cast(sum(case when can_log and library_use in ('limited', 'no_limit_entry') then 1 else 0 end) as bigint)
        as numerator,
    cast(sum(case when can_log and library_use <> 'unknown' then 1 else 0 end) as bigint) as denominator,
    cast(sum(case when can_log and library_use = 'unknown' then 1 else 0 end) as bigint) as left_out_unknown,
    cast(sum(case when can_log then 0 else 1 end) as bigint) as left_out_unable
from starts
where counts_as = 'start'
group by month, care_area, entry, pump_type, high_alert, source
