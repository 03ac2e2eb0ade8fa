-- title: Numbers seen and numbers missing between them
-- grain: month, source, pump
with counted as (
    select
        m.month,
        p.source,
        p.pump_id,
        cast(count(distinct row(p.sequence, p.device_time)) as bigint) as seen,
        cast(0 as bigint) as missing
    from sequence_records as p
    inner join site_months as m
        on p.occurred_at >= m.begins_at and p.occurred_at < m.ends_at
    group by m.month, p.source, p.pump_id
    union all
    select
        m.month,
        r.source,
        r.pump_id,
        cast(0 as bigint) as seen,
        cast(sum(r.missing_after) as bigint) as missing
    from sequence_runs as r
    inner join site_months as m
        on r.last_at >= m.begins_at and r.last_at < m.ends_at
    group by m.month, r.source, r.pump_id
)

select
    month,
    source,
    pump_id,
    cast(sum(seen) as bigint) as numerator,
    cast(sum(seen + missing) as bigint) as denominator
from counted
group by month, source, pump_id
