-- title: The last moment at which each pump was heard
-- grain: one pump
-- why: an open infusion counts hours up to here
select facility, pump_id, arg_max(at_us, place) as last_us
from pump_log
group by facility, pump_id
