-- title: Events that were kept and flagged as implausible
-- grain: month, name of the check
with flagged as (
    select
        occurred_at,
        unnest(implausible) as flag
    from events
    where len(implausible) > 0
)

select
    m.month,
    f.flag,
    cast(count(*) as bigint) as events
from flagged as f
inner join site_months as m
    on f.occurred_at >= m.begins_at and f.occurred_at < m.ends_at
group by m.month, f.flag
