-- title: Pumps with events that lie after the commit: their clocks run ahead
-- grain: pump
select
    e.pump_id,
    cast(count(*) as bigint) as events,
    max(e.occurred_at) as furthest_at
from events as e
cross join completeness_settings as s
where e.occurred_at > s.committed_at + interval 1 day
group by e.pump_id
