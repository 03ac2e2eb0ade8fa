-- title: What last began on the other line of the channel before each start
-- grain: one start on a channel with two lanes whose other line has begun before
-- why: what began on the other line since a stop is another infusion
with seen as (
    select
        *,
        max(place_on_channel) filter (where opened and lane = 0) over so_far as place_0,
        max(place_on_channel) filter (where opened and lane = 1) over so_far as place_1
    from lane_opening_log
    window so_far as (rows between unbounded preceding and current row)
),

before as (
    select
        place, asks, floor_place,
        -- what happened at once on the other lane did not happen before
        case
            when lag(place_on_channel) over () <> place_on_channel
                then case lane when 0 then lag(place_1) over () else lag(place_0) over () end
            else case lane when 0 then lag(place_1, 2) over () else lag(place_0, 2) over () end
        end as other_place
    from seen
)

select place, other_place
from before
where asks and other_place > floor_place
