-- title: Where a lane's log begins, ends and opens without a start
-- grain: one row of the lane's log
-- order: place
-- why: a rate change, pause, bolus, completion or stop on a lane whose state nobody knows opens an infusion (ruling 3)
with told as (
    select
        *,
        coalesce(lag(lane_no) over () <> lane_no, true) as is_first,
        kind = 'infusion_stopped' and sign = 'alarm_stop' as is_alarms_stop,
        mine and sign in ('start', 'delayed') as begins,
        mine and own and sign in ('bolus', 'bolus_end') as turns_bolus,
        mine and sign in ('start', 'delayed', 'dose', 'change', 'programme', 'bypass')
        and (rate_ml_h is not null or dose_value is not null) as tells_zero
    from lane_ahead
),

known as (
    select
        * exclude (turns_bolus, tells_zero),
        arg_max_null(sign = 'other_lane', place) filter (where is_first or begins or sign = 'other_lane')
            over so_far
            as other_runs,
        arg_max_null(case when tells_zero then coalesce(rate_ml_h = 0, dose_value = 0) end, place)
        filter (where is_first or tells_zero)
            over so_far
            as zero_here,
        greatest(max(place) filter (where begins) over so_far, floor_place) as begun_place,
        greatest(max(place) filter (where sign in ('gap', 'bridged')) over so_far, floor_place) as gap_place,
        greatest(max(place) filter (where turns_bolus) over so_far, floor_place) as bolus_place,
        arg_max_null(case when turns_bolus then sign end, place) filter (where is_first or turns_bolus) over so_far
            as bolus_sign
    from told
    window so_far as (rows between unbounded preceding and current row)
),

waits as (
    select
        *,
        keeps_open
        or (lets_other_run and (is_first or not coalesce(lag(other_runs) over (), false))) as waits_on,
        greatest(lag(begun_place) over (), floor_place) as begun_before,
        greatest(lag(gap_place) over (), floor_place) as gap_before_place,
        greatest(lag(bolus_place) over (), floor_place) as bolus_place_before,
        case when is_first then '' else lag(bolus_sign) over () end as bolus_sign_before
    from known
),

ending as (
    select
        *,
        -- a change that logs no rate leaves a rate of 0 as it is (rulings 13, 46)
        mine and sign = 'change' and not coalesce(zero_here, false) as raises,
        (sign in ('stop', 'off', 'on') or (sign = 'complete' and mine) or (lane = 1 and sign = 'other_lane'))
        and not waits_on as closes
    from waits
),

closed as (
    select *, greatest(max(place) filter (where closes) over so_far, floor_place) as closed_place
    from ending
    window so_far as (rows between unbounded preceding and current row)
),

befores as (
    select *, greatest(lag(closed_place) over (), floor_place) as closed_before
    from closed
),

stilled as (
    select
        *,
        -- known not to run, so a bolus is all that an infusion can be here
        closed_before > begun_before and gap_before_place < closed_before as is_still,
        closed_before > begun_before and bolus_place_before > closed_before
        and bolus_sign_before = 'bolus' as is_in_bolus
    from befores
),

stirring as (
    select
        *,
        -- what interrupts such a bolus leaves its infusion open, until something closes it
        max(place) filter (
            where (is_in_bolus and (mine or sign = 'gap') and sign in (
                'gap', 'kvo', 'dose_end', 'pause', 'standby', 'alarm_stop', 'alarm_unclear', 'door', 'halts', 'priming'
            ))
            or (mine and own and sign = 'dose')
        ) over so_far as stirred_place
    from stilled
    window so_far as (rows between unbounded preceding and current row)
),

stirred as (
    select
        *,
        greatest(lag(stirred_place) over (), floor_place) > closed_before as is_stirred,
        -- nobody knows whether it runs: the log begins here, or numbers are missing since it ended
        (begun_before = floor_place and closed_before = floor_place)
        or (closed_before > begun_before and gap_before_place > closed_before) as is_unseen
    from stirring
),

eligible as (
    select
        *,
        is_still and not is_stirred and not is_in_bolus and mine and own and sign = 'bolus' as opens_idle,
        is_still and not is_stirred and is_in_bolus and mine and own and sign = 'bolus_end' as closes_idle,
        mine and own and not is_in_bolus and not (is_stirred and bolus_place_before > closed_before) and (
            (
                (sign in ('change', 'pause', 'bolus', 'bolus_end', 'complete', 'stop', 'kvo') or is_alarms_stop)
                and is_unseen
            )
            or (sign = 'dose' and closed_before >= begun_before and not is_in_bolus)
        ) as may_open
    from stirred
),

opening as (
    select *, max(place) filter (where may_open) over so_far as may_open_place
    from eligible
    window so_far as (rows between unbounded preceding and current row)
)

select
    * exclude (
        kind, keeps_open, lets_other_run, other_runs, begun_place, gap_place, bolus_place, bolus_sign, closed_place,
        stirred_place, may_open_place, begun_before, closed_before, gap_before_place, may_open, closes, closes_idle,
        bolus_place_before, bolus_sign_before, is_still, is_in_bolus, is_stirred, is_unseen
    ),
    closes or closes_idle as closes,
    opens_idle or (
        may_open and greatest(lag(may_open_place) over (), floor_place) <= greatest(begun_before, closed_before)
    ) as opens_unseen
from opening
