-- title: Attempts and alarms that no rate counts, and clearings that ended none, counted
-- grain: month, what it is
select
    m.month,
    concat('attempts_', a.use_context) as what,
    cast(count(*) as bigint) as amount
from attempts as a
inner join site_months as m
    on a.first_alert_at >= m.begins_at and a.first_alert_at < m.ends_at
where a.use_context in ('maintenance', 'training')
group by m.month, a.use_context
union all
select
    m.month,
    concat('alarms_', a.use_context) as what,
    cast(count(*) as bigint) as amount
from alarms as a
inner join site_months as m
    on a.raised_at >= m.begins_at and a.raised_at < m.ends_at
where a.use_context in ('maintenance', 'training')
group by m.month, a.use_context
union all
select
    month,
    case when concerns = 'other' then 'alarms_other' else 'alarms_not_running' end as what,
    cast(count(*) as bigint) as amount
from month_alarms
where concerns = 'other' or (concerns = 'delivery' and not was_running)
group by month, concerns
union all
select
    month,
    'clears_alone' as what,
    cast(count(*) as bigint) as amount
from clears_alone
group by month
