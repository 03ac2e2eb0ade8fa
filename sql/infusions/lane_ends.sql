-- title: Until when each lane is known
-- grain: one lane
-- why: an open infusion counts hours up to the pump's last event
select distinct l.lane_no, c.channel_no, e.last_us
from lane_log as l
inner join pump_channels as c on l.lane_no // 2 = c.channel_no
inner join pump_ends as e on c.pump_no = e.pump_no
