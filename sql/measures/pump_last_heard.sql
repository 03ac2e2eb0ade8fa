-- title: When each pump was heard for the last time
-- grain: pump
select
    pump_id,
    max(occurred_at) as last_at
from events
group by pump_id
