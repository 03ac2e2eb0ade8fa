-- title: Rows of unknown library use that go on under the use in force
-- grain: one event on one channel
-- why: a warning's programme is in the library where its infusion is
select w.watch_no, t.place % 68719476736 // 4 as place
from lane_turns as t
inner join pump_channels as p on t.lane_no // 2 = p.channel_no
inner join watch_channels as w on p.pump_no = w.pump_no and p.channel = w.channel
where t.keeps_use
