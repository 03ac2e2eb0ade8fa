-- title: Records in quarantine among the records that gave an event or wait
-- grain: month, source
-- note: a record that gave several events in a month counts once
with kept as (
    select distinct
        m.month,
        e.source_name as source,
        e.source_file_sha256,
        e.source_record
    from events as e
    inner join site_months as m
        on e.occurred_at >= m.begins_at and e.occurred_at < m.ends_at
),

counted as (
    select
        month,
        source,
        cast(count(*) as bigint) as kept,
        cast(0 as bigint) as waiting
    from kept
    group by month, source
    union all
    select
        month,
        source,
        cast(0 as bigint) as kept,
        cast(count(*) as bigint) as waiting
    from quarantine_months
    where month is not null
    group by month, source
)

select
    month,
    source,
    cast(sum(waiting) as bigint) as numerator,
    cast(sum(kept + waiting) as bigint) as denominator
from counted
group by month, source
