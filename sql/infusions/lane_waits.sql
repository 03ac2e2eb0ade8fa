-- title: Ends that are none, by what follows them
-- grain: one row of a lane's log at which it is completed and soon kept open, or stopped and soon its secondary runs
-- why: what is kept open goes on, and a primary that stops for its secondary is suspended (ruling 19)
with seen as (
    select
        *,
        min(place) filter (where mine and sign = 'kvo') over so_far as kvo_place,
        arg_min(at_us, place) filter (where mine and sign = 'kvo') over so_far as kvo_us,
        min(place) filter (where sign = 'other_lane') over so_far as other_place,
        arg_min(at_us, place) filter (where sign = 'other_lane') over so_far as other_us,
        min(place) filter (where sign not in ('kvo', 'other_lane')) over so_far as break_place
    from lane_backwards
    window so_far as (rows between unbounded preceding and current row)
),

nexts as (
    select
        lane_no, lane, place, at_us, sign, mine,
        lag(kvo_place) over () as kvo_place,
        lag(kvo_us) over () as kvo_us,
        lag(other_place) over () as other_place,
        lag(other_us) over () as other_us,
        lag(break_place) over () as break_place
    from seen
)

select
    n.place,
    -- the lanes follow one another, so what comes next may be another lane's
    n.sign = 'complete' as keeps_open
from nexts as n
cross join settings as s
where
    case
        when n.sign = 'complete'
            then
                n.mine
                and n.kvo_place // 68719476736 = n.lane_no
                and n.kvo_us - n.at_us <= round(s.keep_open_wait_s * 1e6)
                and n.kvo_place < least(
                    coalesce(n.break_place, n.kvo_place + 1), coalesce(n.other_place, n.kvo_place + 1)
                )
        when n.sign = 'stop'
            then
                n.lane = 0
                and n.other_place // 68719476736 = n.lane_no
                and n.other_us - n.at_us <= round(s.no_gap_s * 1e6)
                and n.other_place < coalesce(n.break_place, n.other_place + 1)
        else false
    end
