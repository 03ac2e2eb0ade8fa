-- title: The state of a lane after each row, windows and patient changes applied
-- grain: one row of the lane's log
-- order: place
-- why: a pause ends its infusion when its window is over, a patient change ends what does not run (rulings 4, 17)
with befores as (
    select
        *,
        case when is_first then 'closed' else lag(raw_state) over () end as raw_before,
        not is_first and coalesce(lag(is_waiting) over (), false) as waiting_before,
        not is_first and coalesce(lag(may_wake) over (), false) as may_wake_before,
        not is_first and coalesce(lag(is_after_gap) over (), false) as gap_before,
        not is_first and coalesce(lag(at_zero) over (), false) as at_zero_before,
        case when not is_first then lag(waiting_since_us) over () end as waiting_since_before_us
    from lane_states
),

turns as (
    select
        *,
        waiting_before and at_us - waiting_since_before_us > window_us as is_late,
        may_wake_before and raises and not patient_turned as may_wake_here,
        patient_turned and not begins and raw_before in ('running', 'bolus', 'keep_open')
        and sign not in ('stop', 'complete', 'pause', 'off', 'on', 'other_lane')
        and not is_alarms_stop as patient_splits,
        patient_turned and not begins and raw_before <> 'closed'
        and not (
            raw_before in ('running', 'bolus', 'keep_open')
            and sign not in ('stop', 'complete', 'pause', 'off', 'on', 'other_lane')
            and not is_alarms_stop
        ) as patient_closes
    from befores
),

turned as (
    select
        *,
        greatest(max(place) filter (where opens) over so_far, floor_place) as open_place,
        greatest(max(place) filter (where opens or closes) over so_far, floor_place) as turn_place,
        greatest(max(place) filter (where patient_closes) over so_far, floor_place) as patient_place
    from turns
    window so_far as (rows between unbounded preceding and current row)
),

marked as (
    select
        *,
        (
            patient_closes
            and not (waiting_before or may_wake_before)
            and sign not in ('stop', 'complete', 'pause', 'off', 'on')
            and not is_alarms_stop
        )
        -- or numbers are missing since a patient change ended it
        or (
            sign in ('gap', 'bridged')
            and greatest(lag(patient_place) over (), floor_place) > greatest(lag(turn_place) over (), floor_place)
        ) as leaves_unknown
    from turned
),

unknown as (
    select *, max(place) filter (where leaves_unknown) over so_far as unknown_place
    from marked
    window so_far as (rows between unbounded preceding and current row)
),

reopened as (
    select
        *,
        -- a new patient, and nobody knew whether it ran: what shows that it does opens an infusion
        own and mine and (
            (
                (sign in ('change', 'pause', 'bolus', 'bolus_end', 'complete', 'stop', 'kvo') or is_alarms_stop)
                and greatest(lag(unknown_place) over (), floor_place) > greatest(lag(turn_place) over (), floor_place)
            )
            or (leaves_unknown and sign in ('change', 'bolus', 'bolus_end', 'kvo'))
        ) as may_reopen,
        may_wake_here
        and greatest(lag(patient_place) over (), floor_place) <= greatest(lag(open_place) over (), floor_place) as wakes
    from unknown
),

reopening as (
    select *, max(place) filter (where may_reopen) over so_far as may_reopen_place
    from reopened
    window so_far as (rows between unbounded preceding and current row)
),

revived as (
    select
        *,
        may_reopen and greatest(lag(may_reopen_place) over (), floor_place) < patient_place as reopens
    from reopening
),

ended as (
    select
        *,
        greatest(patient_place, max(place) filter (where is_late and not opens and not wakes) over so_far)
            as death_place,
        greatest(max(place) filter (where opens or wakes or reopens) over so_far, floor_place) as life_place,
        greatest(max(place) filter (where reopens) over so_far, floor_place) as reopened_place
    from revived
    window so_far as (rows between unbounded preceding and current row)
),

again as (
    select
        *,
        -- after a pause that a patient change ended, keep-open starts nothing either
        death_place > life_place and own and mine and is_open
        and (sign in ('dose', 'bolus') or (sign = 'kvo' and patient_place <= life_place)) as may_open_again,
        -- a bolus after the window is all that its infusion has
        greatest(
            max(place) filter (
                where sign = 'bolus_end' and own and mine and raw_before = 'bolus'
                and death_place > life_place and hold_place <= death_place
            ) over so_far,
            floor_place
        ) as late_bolus_end_place
    from ended
    window so_far as (rows between unbounded preceding and current row)
),

opening as (
    select *, greatest(max(place) filter (where may_open_again) over so_far, floor_place) as may_open_again_place
    from again
    window so_far as (rows between unbounded preceding and current row)
),

settled as (
    select
        *,
        may_open_again
        and greatest(lag(may_open_again_place) over (), floor_place) < greatest(death_place, late_bolus_end_place)
            as opens_again,
        may_open_again_place < greatest(death_place, late_bolus_end_place) as stays_dead
    from opening
),

stated as (
    select
        *,
        case
            -- what reopens runs, whatever an older state was
            when
                reopened_place > hold_place and not (death_place > life_place and stays_dead)
                and raw_state in ('between_doses', 'priming', 'delayed', 'waiting')
                then 'running'
            when raw_state <> 'closed' and not (death_place > life_place and stays_dead) then raw_state
            when in_bolus then 'bolus'
            else 'closed'
        end as state,
        (
            in_bolus
            and sign = 'bolus'
            and own
            and mine
            and (raw_state = 'closed' or (death_place > life_place and stays_dead))
        )
        or reopens or opens_again as opens_late
    from settled
),

followed as (
    select *, case when is_first then 'closed' else lag(state) over () end as state_before
    from stated
)

select
    * exclude (
        raw_state, raw_before, patient_place, late_bolus_end_place, may_open_again, stays_dead, death_place, life_place,
        may_reopen, is_open, may_wake, at_zero, may_wake_before, may_wake_here, leaves_unknown, hold_place,
        reopened_place, open_place, turn_place, rate_ml_h, unknown_place, may_reopen_place, may_open_again_place
    ),
    -- a bypass acts at once only with a rate on a running channel, else with what is confirmed next (ruling 10)
    mine and sign = 'bypass' and rate_ml_h is not null and state_before in ('running', 'bolus') as bypasses_now,
    (mine and sign in ('start', 'delayed', 'change', 'programme')) or opens or opens_late as confirms
from followed
