-- title: The state of a lane after each row of its log, before windows and patients are looked at
-- grain: one row of the lane's log
-- order: place
-- why: each state is the comparison of where things last happened; no row is looked at one by one
with signs as (
    select *, sign = 'alarm_unclear' and (delivering_before or bolus_before) as leaves_unclear
    from lane_holds
),

lasts as (
    select
        *,
        greatest(max(place) filter (where opens) over so_far, floor_place)
        > greatest(max(place) filter (where closes) over so_far, floor_place) as is_open,
        arg_max_null(hold, place) filter (where is_first or hold is not null) over so_far as holding,
        greatest(max(place) filter (where proves) over so_far, floor_place) as proof_place,
        greatest(max(place) filter (where sign = 'gap') over so_far, floor_place) as gap_place,
        greatest(max(place) filter (where halts_first) over so_far, floor_place) as halt_place,
        greatest(max(place) filter (where pauses) over so_far, floor_place) as pause_place,
        arg_max_null(
            case when pauses_first and first_halt = 'zero' then at_us when pauses_first then first_halt_us end, place
        ) filter (where is_first or pauses_first) over so_far as pause_us,
        greatest(max(place) filter (where raises) over so_far, floor_place) as raise_place,
        greatest(max(place) filter (where pauses and sign = 'standby') over so_far, floor_place) as standby_place,
        greatest(max(place) filter (where sign = 'standby_left') over so_far, floor_place) as standby_left_place,
        greatest(max(place) filter (where leaves_unclear) over so_far, floor_place) as unclear_place,
        arg_max_null(case when leaves_unclear then at_us end, place)
        filter (where is_first or leaves_unclear)
            over so_far
            as unclear_us,
        greatest(max(place) filter (where sign = 'delayed') over so_far, floor_place) as delay_place,
        greatest(max(place) filter (where sign = 'bolus' and own) over so_far, floor_place) as bolus_place,
        greatest(
            max(place) filter (
                where sign in ('bolus_end', 'gap', 'alarm_unclear', 'priming') or closes or halt in ('pause', 'alarm')
                or (hold is not null and sign <> 'bolus')
            ) over so_far,
            floor_place
        ) as bolus_stop_place,
        greatest(max(place) filter (where sign = 'priming') over so_far, floor_place) as priming_place,
        greatest(
            max(place) filter (
                where sign in ('priming_end', 'gap', 'pause', 'standby', 'bolus') or closes or hold is not null
            ) over so_far,
            floor_place
        ) as priming_stop_place,
        greatest(max(place) filter (where sign in ('bolus_end', 'priming_end')) over so_far, floor_place)
            as return_place,
        arg_max_null(case when sign in ('bolus_end', 'priming_end') then at_us end, place)
        filter (where is_first or sign in ('bolus_end', 'priming_end'))
            over so_far
            as return_us
    from signs
    window so_far as (rows between unbounded preceding and current row)
),

judged as (
    select
        *,
        bolus_place > bolus_stop_place as in_bolus,
        priming_place > priming_stop_place as in_priming,
        pause_place >= hold_place and pause_place > floor_place as is_paused,
        halt_place >= hold_place and halt_place > raise_place as is_halted,
        gap_place > greatest(hold_place, proof_place) as is_after_gap
    from lasts
)

select
    * exclude (
        halt_place, pause_place, pause_us, raise_place, standby_place, standby_left_place, unclear_place, unclear_us,
        delay_place, bolus_place, bolus_stop_place, priming_place, priming_stop_place, return_place, return_us,
        proof_place, gap_place, first_halt, first_halt_us, halt, halts_first, pauses, pauses_first, delivering_before,
        priming_before, bolus_before, leaves_unclear
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
