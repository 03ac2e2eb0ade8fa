-- title: Holes in the pumps' numbering
-- grain: month, source, pump
select
    m.month,
    r.source,
    r.pump_id,
    cast(count(*) as bigint) as holes,
    cast(sum(r.missing_after) as bigint) as missing
from sequence_runs as r
inner join site_months as m
    on r.last_at >= m.begins_at and r.last_at < m.ends_at
where r.missing_after > 0
group by m.month, r.source, r.pump_id
