-- title: Moments of limit alerts that are not alert and decision in one row
-- grain: pump, moment
-- why: only where both are rows of their own does the log tell how long the decision took
select
    pump_id,
    occurred_at,
    max(time_resolution_s) as time_resolution_s
from counting_events
where
    (kind = 'limit_alerted' or (kind = 'alarm_raised' and alarm_kind = 'limit_alert'))
    and decision_logged is null
group by pump_id, occurred_at
