-- title: What shows that a pump was on
-- grain: event of a pump whose sources can log its alarms and its power
-- note: what a server logs about a pump does not prove that it was on
with together as (
    select distinct
        g.pump_id,
        g.source_name
    from pump_logs as g
    inner join able_sources as c
        on g.log = c.source_name and c.measure = 'pump_alarm_rate'
)

select
    e.pump_id,
    e.source_name as source,
    e.occurred_at,
    e.sequence,
    e.event_id,
    e.kind,
    e.care_area,
    e.use_context
from counting_events as e
left join able_sources as c
    on e.source_name = c.source_name and c.measure = 'pump_alarm_rate'
left join together as g
    on e.pump_id = g.pump_id and e.source_name = g.source_name
where
    (c.source_name is not null or g.source_name is not null)
    and e.kind not in ('communication_lost', 'communication_restored', 'library_received', 'order_received')
