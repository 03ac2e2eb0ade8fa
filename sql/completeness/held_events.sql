-- title: What each pump sent, and how much of it came late
-- grain: month, source, pump
-- note: an event is late where an earlier ingest had brought a later one of the same pump already
select
    m.month,
    e.source_name as source,
    e.pump_id,
    cast(count(*) as bigint) as events,
    cast(count(distinct date_trunc('day', e.occurred_at at time zone s.zone)) as bigint) as days_heard,
    cast(sum(case when e.occurred_at < n.newest_before_at then 1 else 0 end) as bigint) as late_events
from events as e
cross join completeness_settings as s
inner join site_months as m
    on e.occurred_at >= m.begins_at and e.occurred_at < m.ends_at
left join newest_before as n
    on e.source_name = n.source and e.pump_id = n.pump_id and e.ingest_id = n.ingest_id
group by m.month, e.source_name, e.pump_id
