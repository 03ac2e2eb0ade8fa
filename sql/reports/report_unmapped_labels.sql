-- title: Labels that nobody has filed, with the events that carry them
-- grain: month, word, label
with labels as (
    select
        occurred_at,
        'kind' as word,
        kind_logged as label
    from events
    where list_contains(unmapped, 'kind')
    union all
    select
        occurred_at,
        'entry' as word,
        entry_logged as label
    from events
    where list_contains(unmapped, 'entry')
    union all
    select
        occurred_at,
        'care area' as word,
        care_area_logged as label
    from events
    where list_contains(unmapped, 'care_area')
    union all
    select
        occurred_at,
        'alarm' as word,
        alarm_label as label
    from events
    where list_contains(unmapped, 'alarm')
)

select
    m.month,
    l.word,
    coalesce(l.label, '') as label,
    cast(count(*) as bigint) as events
from labels as l
inner join site_months as m
    on l.occurred_at >= m.begins_at and l.occurred_at < m.ends_at
group by m.month, l.word, coalesce(l.label, '')
