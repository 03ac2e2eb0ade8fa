-- title: Months of a source in which hardly any programming is known to be one, but by an alert
-- grain: source, month
-- why: a limit alert shows that its programming was one inside; where nothing else does, for want of the library use
-- or of what a change set, a share of those that are known would be one of those that warned
with starts_told as (
    select
        source,
        month
    from starts
    where counts_as = 'start'
    group by source, month
    having
        count(case when library_use = 'unknown' then 1 end)
        > count(case when library_use in ('limited', 'no_limit_entry') then 1 end)
),

changes_known as (
    select
        coalesce(g.log, p.source_name, 'unknown') as source,
        m.month,
        count(*) as changes
    from programmings as p
    inner join site_months as m
        on p.at >= m.begins_at and p.at < m.ends_at
    left join pump_logs as g
        on p.pump_id = g.pump_id and p.source_name = g.source_name and m.month = g.month
    where p.phase = 'change' and p.attempt_id is null
    group by coalesce(g.log, p.source_name, 'unknown'), m.month
),

changes_blank as (
    select
        source,
        month,
        sum(changes) as changes
    from rate_change_tellings
    where is_blank
    group by source, month
)

select
    source,
    month
from starts_told
union distinct
select
    b.source,
    b.month
from changes_blank as b
left join changes_known as k
    on b.source = k.source and b.month = k.month
where b.changes > coalesce(k.changes, 0)
