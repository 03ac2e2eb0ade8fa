-- title: Where a bypass that waited arrives
-- grain: one row of a lane's log that confirms a programme and tells no use of its own
-- why: a bypass acts at once only with a rate on a running channel, else with the next start or change (ruling 10)
with seen as (
    select
        *,
        max(place_on_channel) filter (where waits) over so_far as wait_place,
        max(place_on_channel) filter (where ends_wait) over so_far as end_place
    from lane_bypass_log
    window so_far as (rows between unbounded preceding and current row)
),

before as (
    select
        *,
        -- what happened at once on the other lane did not happen before
        case
            when lag(place_on_channel) over () = place_on_channel then lag(wait_place, 2) over () else
                lag(wait_place) over ()
        end as wait_before,
        case
            when lag(place_on_channel) over () = place_on_channel then lag(end_place, 2) over () else
                lag(end_place) over ()
        end as end_before
    from seen
)

select place
from before
where takes_over and greatest(wait_before, floor_place) > greatest(end_before, floor_place)
