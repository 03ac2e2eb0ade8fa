-- title: The state of a lane after each row of its log, before windows and patients are looked at
-- grain: one row of the lane's log
-- why: each state is the comparison of where things last happened; no row is looked at one by one
with lasts as (
    select
        *,
        coalesce(max(case when opens then place end) over here, 0)
        > coalesce(max(case when closes then place end) over here, 0) as is_open,
        arg_max(hold, place) over here as holding,
        coalesce(max(case when proves then place end) over here, 0) as proof_place,
        coalesce(max(case when sign = 'gap' then place end) over here, 0) as gap_place,
        coalesce(max(case when halts_first then place end) over here, 0) as halt_place,
        coalesce(max(case when pauses then place end) over here, 0) as pause_place,
        arg_max(
            case when pauses_first and first_halt = 'zero' then at_us when pauses_first then first_halt_us end,
            place
        ) over here as pause_us,
        coalesce(max(case when raises then place end) over here, 0) as raise_place,
        coalesce(
            max(case when pauses and sign = 'standby' then place end) over here, 0
        ) as standby_place,
        coalesce(
            max(case when sign = 'standby_left' then place end) over here, 0
        ) as standby_left_place,
        coalesce(
            max(
                case when sign = 'alarm_unclear' and (delivering_before or bolus_before) then place end
            ) over here, 0
        )
            as unclear_place,
        arg_max(
            case when sign = 'alarm_unclear' and (delivering_before or bolus_before) then at_us end,
            place
        ) over here
            as unclear_us,
        coalesce(max(case when sign = 'delayed' then place end) over here, 0) as delay_place,
        coalesce(max(case when sign = 'bolus' and own then place end) over here, 0) as bolus_place,
        coalesce(
            max(
                case
                    when
                        sign in ('bolus_end', 'gap', 'alarm_unclear', 'priming') or closes or halt in ('pause', 'alarm')
                        or (hold is not null and sign <> 'bolus')
                        then place
                end
            ) over here, 0
        ) as bolus_stop_place,
        coalesce(max(case when sign = 'priming' then place end) over here, 0) as priming_place,
        coalesce(
            max(
                case
                    when
                        sign in ('priming_end', 'gap', 'pause', 'standby', 'bolus') or closes or hold is not null
                        then place
                end
            ) over here, 0
        ) as priming_stop_place,
        coalesce(max(case when sign in ('bolus_end', 'priming_end') then place end) over here, 0)
            as return_place,
        arg_max(case when sign in ('bolus_end', 'priming_end') then at_us end, place) over here as return_us
    from lane_holds
    window here as (
        partition by lane_no order by place
        rows between unbounded preceding and current row
    )
),

judged as (
    select
        *,
        bolus_place > bolus_stop_place as in_bolus,
        priming_place > priming_stop_place as in_priming,
        pause_place >= hold_place and pause_place > 0 as is_paused,
        halt_place >= hold_place and halt_place > raise_place as is_halted,
        gap_place > greatest(hold_place, proof_place) as is_after_gap
    from lasts
)

select
    * exclude (
        halt_place, pause_place, pause_us, raise_place, standby_place, standby_left_place, unclear_place, unclear_us,
        delay_place, bolus_place, bolus_stop_place, priming_place, priming_stop_place, return_place, return_us,
        proof_place, gap_place, first_halt, first_halt_us, halt, halts_first, pauses, pauses_first, delivering_before,
        priming_before, bolus_before
    ),
    case
        when not is_open then 'closed'
        when holding = 'suspend' then 'suspended'
        when in_bolus then 'bolus'
        when in_priming then 'priming'
        when is_after_gap then 'unknown'
        when holding = 'wait' then 'waiting'
        when is_paused and standby_place > standby_left_place and standby_place >= hold_place then 'standby'
        when is_paused then 'paused'
        when is_halted then case when first_halt = 'alarm' then 'stopped_by_alarm' else 'paused' end
        when holding = 'between' then 'between_doses'
        when unclear_place >= hold_place and unclear_place > proof_place then 'unknown'
        when holding = 'kvo' then 'keep_open'
        when delay_place = hold_place and proof_place <= delay_place then 'delayed'
        else 'running'
    end as raw_state,
    is_open and holding in ('run', 'kvo', 'between') and (is_paused or (is_halted and first_halt <> 'zero'))
    and not in_bolus and not in_priming as is_waiting,
    is_open and is_halted and not is_paused and not in_bolus and not in_priming and not is_after_gap as may_wake,
    is_open and is_halted and not is_paused and not in_priming and not is_after_gap and first_halt = 'zero' as at_zero,
    case
        -- after a bolus or priming in a pause, it waits since that ended
        when
            (is_paused or is_halted)
            and least(return_place, greatest(priming_place, bolus_place))
            > case when is_paused then pause_place else halt_place end
            then return_us
        when is_paused then pause_us
        when is_halted then first_halt_us
        else unclear_us
    end as waiting_since_us
from judged
