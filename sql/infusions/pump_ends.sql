-- title: The last moment at which each pump was heard
-- grain: one pump
-- why: an open infusion counts hours up to here
select pump_no, arg_max(at_us, place) as last_us
from pump_places
group by pump_no
