-- title: Where a lane's log begins, ends and opens without a start
-- grain: one row of the lane's log
-- why: a rate change, pause, bolus, completion or stop on a lane whose state nobody knows opens an infusion (ruling 3)
with ahead as (
    select
        lane_no, lane, place, at_us, unsure_links, sign, own, mine, proves, patient_turned,
        kind = 'infusion_stopped' and sign = 'alarm_stop' as is_alarms_stop,
        mine and sign in ('start', 'delayed') as begins,
        min(case when mine and sign = 'kvo' then place end) over later as next_kvo_place,
        arg_min(case when mine and sign = 'kvo' then at_us end, place) over later as next_kvo_us,
        min(case when sign = 'other_lane' then place end) over later as next_other_place,
        arg_min(case when sign = 'other_lane' then at_us end, place) over later as next_other_us,
        min(
            case
                when (mine and sign in ('start', 'delayed', 'dose')) or sign in ('stop', 'complete', 'off', 'on')
                    then place
            end
        ) over later as next_break_place,
        coalesce(
            arg_max(
                case when sign = 'other_lane' then true when mine and sign in ('start', 'delayed') then false end,
                place
            ) over (in_lane rows between unbounded preceding and 1 preceding),
            false
        ) as other_runs_before,
        arg_max(
            case
                when
                    mine and sign in ('start', 'delayed', 'dose', 'change', 'programme', 'bypass')
                    and (rate_ml_h is not null or dose_value is not null)
                    then coalesce(rate_ml_h = 0, dose_value = 0)
            end,
            place
        ) over (in_lane rows between unbounded preceding and current row) as zero_here
    from lane_log
    window
        in_lane as (partition by lane_no order by place),
        later as (in_lane rows between 1 following and unbounded following)
),

waits as (
    select
        a.*,
        -- completed, and kept open within the wait; or stopped to let the secondary run
        coalesce(
            sign = 'complete' and mine
            and next_kvo_us - at_us <= round(s.keep_open_wait_s * 1e6)
            and next_kvo_place < least(
                coalesce(next_break_place, next_kvo_place + 1), coalesce(next_other_place, next_kvo_place + 1)
            ),
            false
        )
        or coalesce(
            sign = 'stop' and lane = 0 and not other_runs_before
            and next_other_us - at_us <= round(s.no_gap_s * 1e6)
            and next_other_place < coalesce(next_break_place, next_other_place + 1),
            false
        ) as waits_on
    from ahead as a
    cross join settings as s
),

known as (
    select
        *,
        -- a change that logs no rate leaves a rate of 0 as it is (rulings 13, 46)
        mine and sign = 'change' and not coalesce(zero_here, false) as raises,
        (sign in ('stop', 'off', 'on') or (sign = 'complete' and mine) or (lane = 1 and sign = 'other_lane'))
        and not waits_on as closes
    from waits
),

befores as (
    select
        * exclude (next_kvo_place, next_kvo_us, next_other_place, next_other_us, next_break_place, other_runs_before),
        coalesce(max(case when begins then place end) over before, 0) as begun_before,
        coalesce(max(case when closes then place end) over before, 0) as closed_before,
        coalesce(max(case when sign in ('gap', 'bridged') then place end) over before, 0)
            as gap_before_place,
        coalesce(
            max(case when mine and own and sign in ('bolus', 'bolus_end') then place end)
                over before,
            0
        ) as bolus_place_before,
        coalesce(
            arg_max(case when mine and own and sign in ('bolus', 'bolus_end') then sign end, place)
                over before,
            ''
        ) as bolus_sign_before
    from known
    window before as (
        partition by lane_no order by place
        rows between unbounded preceding and 1 preceding
    )
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

stirred as (
    select
        *,
        -- what interrupts such a bolus leaves its infusion open, until something closes it
        coalesce(
            max(
                case
                    when
                        (is_in_bolus and (mine or sign = 'gap') and sign in (
                            'gap', 'kvo', 'dose_end', 'pause', 'standby', 'alarm_stop', 'alarm_unclear', 'door',
                            'halts', 'priming'
                        ))
                        or (mine and own and sign = 'dose')
                        then place
                end
            ) over before, 0
        ) > closed_before as is_stirred
    from stilled
    window before as (
        partition by lane_no order by place
        rows between unbounded preceding and 1 preceding
    )
),

eligible as (
    select
        *,
        -- nobody knows whether it runs: the log begins here, or numbers are missing since it ended
        (begun_before = 0 and closed_before = 0)
        or (closed_before > begun_before and gap_before_place > closed_before) as is_unseen,
        is_still and not is_stirred and not is_in_bolus and mine and own and sign = 'bolus' as opens_idle,
        is_still and not is_stirred and is_in_bolus and mine and own and sign = 'bolus_end' as closes_idle,
        mine and own and not is_in_bolus and not (is_stirred and bolus_place_before > closed_before) and (
            (
                (sign in ('change', 'pause', 'bolus', 'bolus_end', 'complete', 'stop', 'kvo') or is_alarms_stop)
                and (
                    (begun_before = 0 and closed_before = 0)
                    or (closed_before > begun_before and gap_before_place > closed_before)
                )
            )
            or (sign = 'dose' and closed_before >= begun_before and not is_in_bolus)
        ) as may_open
    from stirred
)

select
    * exclude (
        begun_before, closed_before, gap_before_place, may_open, closes, closes_idle, bolus_place_before,
        bolus_sign_before, is_still, is_in_bolus, is_stirred
    ),
    closes or closes_idle as closes,
    opens_idle or (
        may_open
        and coalesce(max(case when may_open then place end) over before, -1)
        <= greatest(begun_before, closed_before)
    ) as opens_unseen
from eligible
window before as (
    partition by lane_no order by place
    rows between unbounded preceding and 1 preceding
)
