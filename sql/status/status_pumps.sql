-- title: Pumps that were heard, and those that are listed
-- grain: one pump that is in pumps.csv or has an event
with heard as (
    select
        pump_id,
        max(occurred_at) as last_event_at
    from events
    group by pump_id
)

select
    coalesce(listed_pumps.pump_id, heard.pump_id) as pump_id,
    listed_pumps.pump_id is not null as is_listed,
    heard.last_event_at
from listed_pumps
full join heard on listed_pumps.pump_id = heard.pump_id
order by coalesce(listed_pumps.pump_id, heard.pump_id)
