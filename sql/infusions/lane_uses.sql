-- title: The library use that each row of a lane tells, and the last one known before it
-- grain: one row of the lane's log
-- why: a bypass acts at once only with a rate on a running channel, else with the next start or change (ruling 10);
-- whether a row of unknown use goes on under the use in force is seen where infusions continue
with befores as (
    select
        v.lane_no, v.place, v.place - v.lane_no % 2 * 68719476736 as channel_place,
        v.sign, v.mine, v.opens, v.opens_late, v.state,
        l.library_use, l.entry, l.rate_ml_h,
        coalesce(lag(v.state) over in_lane, 'closed') as state_before
    from lane_live as v
    inner join lane_log as l on v.place = l.place
    window in_lane as (partition by v.lane_no order by v.place)
),

signs as (
    select
        *,
        mine and sign = 'bypass' and rate_ml_h is not null and state_before in ('running', 'bolus') as bypasses_now,
        (mine and sign in ('start', 'delayed', 'change', 'programme')) or opens or opens_late as confirms
    from befores
),

pending as (
    select
        *,
        confirms
        -- an entry with unknown use may be of the library again
        and (library_use is null or (library_use = 'unknown' and entry is null))
        -- a bypass that waits is for the next of the channel, whichever its line (ruling 10)
        and coalesce(
            max(case when mine and sign = 'bypass' and not bypasses_now then channel_place end) over before
            > coalesce(
                max(case when confirms or bypasses_now or sign in ('off', 'on') then channel_place end) over before, 0
            ),
            false
        ) as bypass_arrives
    from signs
    window before as (
        partition by lane_no // 2 order by channel_place
        range between unbounded preceding and 1 preceding
    )
),

told as (
    select
        *,
        case
            when bypasses_now or bypass_arrives then 'bypassed'
            when confirms then nullif(library_use, 'unknown')
        end as use_told,
        coalesce(confirms and library_use = 'unknown' and not bypasses_now and not bypass_arrives, false)
            as says_unknown
    from pending
),

held as (
    select
        *,
        arg_max(use_told, place) over before as use_known,
        coalesce(
            arg_max(case when says_unknown then true when use_told is not null then false end, place)
                over before,
            false
        ) as is_unsure
    from told
    window before as (
        partition by lane_no order by place
        rows between unbounded preceding and 1 preceding
    )
)

select
    lane_no, place, state_before, confirms, bypasses_now, use_told, says_unknown, use_known,
    -- an unknown use clears only what a bypass had named, and a bypass whatever an unknown use had
    sign in ('off', 'on') or bypasses_now or bypass_arrives
    or case
        when says_unknown then coalesce(use_known = 'bypassed', false) and not is_unsure
        when is_unsure
            then coalesce(use_told = 'bypassed' or (use_known <> 'bypassed' and use_told <> use_known), false)
        else coalesce(use_told <> use_known, false)
    end as clears
from held
