-- title: What a bypass that waits can meet, on the channel as a whole
-- grain: one row of a lane's log that confirms a programme, tells a bypass or clears
-- order: place_on_channel, lane
-- why: a bypass that waits is for the next of the channel, whichever its line (ruling 10)
with signs as (
    select
        v.place, v.lane, v.sign, v.mine, v.bypasses_now, v.confirms, l.library_use, l.entry,
        -- the channel's own order, in which both of its lanes lie
        v.place - v.lane * 68719476736 as place_on_channel,
        (v.lane_no - v.lane) * 68719476736 as floor_place
    from lane_live as v
    inner join lane_log as l on v.place = l.place
)

select
    place, place_on_channel, lane, floor_place,
    mine and sign = 'bypass' and not bypasses_now as waits,
    confirms or bypasses_now or sign in ('off', 'on') as ends_wait,
    -- an entry with unknown use may be of the library again
    confirms and (library_use is null or (library_use = 'unknown' and entry is null)) as takes_over
from signs
where confirms or sign in ('bypass', 'off', 'on')
order by place_on_channel, lane
