-- title: Gaps in the counter that a channel's next event does not bridge, and steps back of the clock
-- grain: one channel and one gap or step back
-- why: only an event of that channel that proves running and is no start carries the old state over (ruling 22)
select
    c.facility, c.pump_id, c.channel, p.place, p.at_us_before as at_us, p.at_us_before as reached_us,
    p.unsure_links, 'gap' as sign
from pump_log as p
inner join pump_channels as c on p.facility = c.facility and p.pump_id = c.pump_id
left join channel_log as b
    on p.facility = b.facility and p.pump_id = b.pump_id and p.place = b.place and c.channel = b.channel
where p.after_gap and not (coalesce(b.proves, false) and not coalesce(b.is_start, false))
union all
select
    c.facility, c.pump_id, c.channel, p.place, p.at_us, p.at_us_before as reached_us,
    p.unsure_links, 'clock_back' as sign
from pump_log as p
inner join pump_channels as c on p.facility = c.facility and p.pump_id = c.pump_id
where p.after_clock_back
