-- title: What each pump sent in each month, by source
-- grain: month, source, pump
select
    m.month,
    e.source_name as source,
    e.pump_id,
    cast(count(*) as bigint) as events,
    cast(sum(case when len(e.unmapped) > 0 then 1 else 0 end) as bigint) as unmapped,
    cast(sum(case when e.clock_offset_s <> 0 then 1 else 0 end) as bigint) as clock_corrected,
    cast(sum(case when len(e.implausible) > 0 then 1 else 0 end) as bigint) as implausible
from events as e
inner join site_months as m
    on e.occurred_at >= m.begins_at and e.occurred_at < m.ends_at
group by m.month, e.source_name, e.pump_id
