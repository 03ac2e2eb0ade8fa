-- title: The state of a lane after each row, windows and patient changes applied
-- grain: one row of the lane's log
-- why: a pause ends its infusion when its window is over, a patient change ends what does not run (rulings 4, 17)
with befores as (
    select
        *,
        coalesce(lag(raw_state) over in_lane, 'closed') as raw_before,
        coalesce(lag(is_waiting) over in_lane, false) as waiting_before,
        coalesce(lag(may_wake) over in_lane, false) as may_wake_before,
        coalesce(lag(is_waiting or may_wake) over in_lane, false) as halted_before,
        coalesce(lag(is_after_gap) over in_lane, false) as gap_before,
        coalesce(lag(at_zero) over in_lane, false) as at_zero_before,
        lag(holding) over in_lane as hold_before,
        lag(waiting_since_us) over in_lane as waiting_since_before_us
    from lane_states
    window in_lane as (partition by lane_no order by place)
),

turns as (
    select
        b.*,
        b.waiting_before
        and b.at_us - b.waiting_since_before_us > round(s.continue_after_pause_s * 1e6) as is_late,
        b.may_wake_before and b.raises and not b.patient_turned as may_wake_here,
        b.patient_turned and not b.begins and b.raw_before in ('running', 'bolus', 'keep_open')
        and b.sign not in ('stop', 'complete', 'pause', 'off', 'on', 'other_lane')
        and not b.is_alarms_stop as patient_splits,
        b.patient_turned and not b.begins and b.raw_before <> 'closed'
        and not (
            b.raw_before in ('running', 'bolus', 'keep_open')
            and b.sign not in ('stop', 'complete', 'pause', 'off', 'on', 'other_lane')
            and not b.is_alarms_stop
        ) as patient_closes
    from befores as b
    cross join settings as s
),

marked as (
    select
        *,
        (
            patient_closes
            and not halted_before
            and sign not in ('stop', 'complete', 'pause', 'off', 'on')
            and not is_alarms_stop
        )
        -- or numbers are missing since a patient change ended it
        or (
            sign in ('gap', 'bridged')
            and coalesce(max(case when patient_closes then place end) over before, 0)
            > coalesce(max(case when opens or closes then place end) over before, 0)
        ) as leaves_unknown
    from turns
    window before as (
        partition by lane_no order by place
        rows between unbounded preceding and 1 preceding
    )
),

reopened as (
    select
        *,
        -- a new patient, and nobody knew whether it ran: what shows that it does opens an infusion
        own and mine and (
            (
                (sign in ('change', 'pause', 'bolus', 'bolus_end', 'complete', 'stop', 'kvo') or is_alarms_stop)
                and coalesce(max(case when leaves_unknown then place end) over before, 0)
                > coalesce(max(case when opens or closes then place end) over before, 0)
            )
            or (leaves_unknown and sign in ('change', 'bolus', 'bolus_end', 'kvo'))
        ) as may_reopen,
        may_wake_here
        and coalesce(max(case when patient_closes then place end) over before, 0)
        <= coalesce(max(case when opens then place end) over before, 0) as wakes
    from marked
    window before as (
        partition by lane_no order by place
        rows between unbounded preceding and 1 preceding
    )
),

revived as (
    select
        *,
        may_reopen
        and coalesce(max(case when may_reopen then place end) over before, 0)
        < coalesce(max(case when patient_closes then place end) over here, 0) as reopens
    from reopened
    window
        here as (
            partition by lane_no order by place
            rows between unbounded preceding and current row
        ),
        before as (
            partition by lane_no order by place
            rows between unbounded preceding and 1 preceding
        )
),

ended as (
    select
        *,
        coalesce(max(case when patient_closes then place end) over here, 0) as patient_place,
        greatest(
            coalesce(max(case when patient_closes then place end) over here, 0),
            coalesce(max(case when is_late and not opens and not wakes then place end) over here, 0)
        ) as death_place,
        coalesce(
            max(case when opens or wakes or reopens then place end) over here, 0
        ) as life_place,
        coalesce(max(case when reopens then place end) over here, 0) as reopened_place
    from revived
    window here as (
        partition by lane_no order by place
        rows between unbounded preceding and current row
    )
),

again as (
    select
        *,
        -- after a pause that a patient change ended, keep-open starts nothing either
        death_place > life_place and own and mine and is_open
        and (sign in ('dose', 'bolus') or (sign = 'kvo' and patient_place <= life_place)) as may_open_again,
        -- a bolus after the window is all that its infusion has
        coalesce(
            max(
                case
                    when
                        sign = 'bolus_end' and own and mine and raw_before = 'bolus'
                        and death_place > life_place and hold_place <= death_place
                        then place
                end
            ) over here, 0
        ) as late_bolus_end_place
    from ended
    window here as (
        partition by lane_no order by place
        rows between unbounded preceding and current row
    )
),

settled as (
    select
        *,
        may_open_again
        and coalesce(
            max(case when may_open_again then place end) over before, 0
        ) < greatest(death_place, late_bolus_end_place) as opens_again,
        coalesce(
            max(case when may_open_again then place end) over here, 0
        ) < greatest(death_place, late_bolus_end_place) as stays_dead
    from again
    window
        here as (
            partition by lane_no order by place
            rows between unbounded preceding and current row
        ),
        before as (
            partition by lane_no order by place
            rows between unbounded preceding and 1 preceding
        )
)

select
    * exclude (
        raw_state, raw_before, patient_place, late_bolus_end_place, may_open_again, stays_dead, death_place, life_place,
        may_reopen, is_open,
        may_wake, at_zero, may_wake_before, may_wake_here, halted_before, leaves_unknown, hold_place, reopened_place
    ),
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
