-- title: The model of each pump, as its newest event that names one says
-- grain: pump
select
    pump_id,
    max_by(pump_model, {'at': occurred_at, 'id': event_id}) as pump_model
from events
where pump_model is not null
group by pump_id
