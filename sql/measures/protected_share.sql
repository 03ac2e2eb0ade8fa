-- title: Protected share of starts: counts for every group that a table can be split by
-- grain: month, care area, entry, pump type, high-alert flag, source
select
    s.month,
    s.care_area,
    s.entry,
    s.pump_type,
    s.high_alert,
    s.source,
    cast(sum(case when s.can_log and p.protected = 1 then 1 else 0 end) as bigint) as numerator,
    cast(sum(case when s.can_log and p.protected is not null then 1 else 0 end) as bigint) as denominator,
    cast(sum(case when s.can_log and p.protected is null then 1 else 0 end) as bigint) as left_out_unknown,
    cast(sum(case when s.can_log then 0 else 1 end) as bigint) as left_out_unable
from starts as s
left join infusion_protection as p
    on s.infusion_id = p.infusion_id
where s.counts_as = 'start' and s.library_use <> 'unknown'
group by s.month, s.care_area, s.entry, s.pump_type, s.high_alert, s.source
