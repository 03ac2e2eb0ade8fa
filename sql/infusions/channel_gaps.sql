-- title: Gaps in the counter, bridged by the channel's next event or not, and steps back of the clock
-- grain: one channel and one gap or step back
-- why: only an event of that channel that proves running and is no start carries the old state over (ruling 22)
select
    c.channel_no, p.place, p.at_us_before as at_us, p.at_us_before as reached_us,
    p.unsure_links,
    -- what is bridged carries a running state over; from a stopped one nothing carries over (rulings 3, 22)
    case when coalesce(v.proves, false) and not coalesce(l.is_start, false) then 'bridged' else 'gap' end as sign
from pump_places as p
inner join pump_channels as c on p.pump_no = c.pump_no
left join channel_log as l on c.channel_no = l.channel_no and p.place = l.place
left join channel_values as v on c.channel_no = v.channel_no and p.place = v.place
where p.after_gap
union all
select
    c.channel_no, p.place, p.at_us, p.at_us_before as reached_us,
    p.unsure_links, 'clock_back' as sign
from pump_places as p
inner join pump_channels as c on p.pump_no = c.pump_no
where p.after_clock_back
