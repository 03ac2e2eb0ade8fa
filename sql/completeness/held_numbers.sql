-- title: How much of each pump's log is held, by its numbers
-- grain: month, source, pump
-- note: only of sources whose numbers have no holes of their own
with counted as (
    select
        month,
        source,
        pump_id,
        numerator as seen,
        cast(denominator - numerator as bigint) as missing,
        0 as gaps,
        0 as resets,
        0 as wraps
    from log_completeness
    union all
    select
        m.month,
        r.source,
        r.pump_id,
        0 as seen,
        0 as missing,
        1 as gaps,
        0 as resets,
        0 as wraps
    from sequence_runs as r
    inner join site_months as m
        on r.last_at >= m.begins_at and r.last_at < m.ends_at
    where r.missing_after > 0
    union all
    select
        m.month,
        b.source,
        b.pump_id,
        0 as seen,
        0 as missing,
        0 as gaps,
        case when b.wrapped then 0 else 1 end as resets,
        case when b.wrapped then 1 else 0 end as wraps
    from counter_breaks as b
    inner join site_months as m
        on b.broke_at >= m.begins_at and b.broke_at < m.ends_at
)

select
    month,
    source,
    pump_id,
    cast(sum(seen) as bigint) as seen,
    cast(sum(missing) as bigint) as missing,
    cast(sum(gaps) as bigint) as gaps,
    cast(sum(resets) as bigint) as resets,
    cast(sum(wraps) as bigint) as wraps
from counted
group by month, source, pump_id
