-- title: Pumps with their model, and when each was heard last
-- grain: pump
select
    facility,
    pump_id,
    coalesce(max(pump_model), '') as pump_model,
    max(occurred_at) as last_heard_at
from counting_events
group by facility, pump_id
