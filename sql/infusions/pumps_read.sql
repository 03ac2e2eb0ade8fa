-- title: Pumps with a number of their own
-- grain: one pump
-- why: windows sort by one number instead of two texts
select facility, pump_id, row_number() over (order by facility, pump_id) as pump_no
from (select distinct facility, pump_id from events) as seen
