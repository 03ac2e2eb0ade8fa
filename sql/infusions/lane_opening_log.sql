-- title: Where either line of a channel begins to run, and where a start asks for it
-- grain: one such row of a lane's log, of channels with two lanes
-- order: place_on_channel, lane
-- why: what began on the other line since a stop is another infusion
select
    place, lane,
    -- the channel's own order, in which both of its lanes lie
    place - lane * 68719476736 as place_on_channel,
    (lane_no - lane) * 68719476736 as floor_place,
    opens or opens_late as opened,
    begins or wakes as asks
from lane_live
where
    (opens or opens_late or begins or wakes)
    and lane_no // 2 in (
        select l.lane_no // 2
        from lane_live as l
        where l.lane = 1
    )
order by place_on_channel, lane
