-- title: What each row of a lane's log does to the state before it
-- grain: one row of the lane's log
-- order: place
-- why: what an alarm, a pause, a rate change or a proof does depends on what held just before
with signs as (
    select
        *,
        begins or opens_unseen as opens,
        case
            when opens_unseen and sign = 'kvo' then 'kvo'
            when waits_on then 'wait'
            when begins or opens_unseen then 'run'
            when lane = 0 and sign = 'other_lane' then 'suspend'
            when not mine then null
            when sign = 'kvo' then 'kvo'
            when sign = 'dose' then 'run'
        end as hold_plain
    from lane_signs
),

lasts as (
    select
        *,
        max(place) filter (where opens) over so_far as open_place,
        max(place) filter (where closes) over so_far as close_place,
        arg_max_null(hold_plain, place) filter (where is_first or hold_plain is not null) over so_far as holding,
        max(place) filter (where hold_plain is not null) over so_far as hold_place,
        max(place) filter (where proves) over so_far as proof_place,
        arg_max_null(case when proves then unsure_links end, place) filter (where is_first or proves) over so_far
            as proof_links,
        max(place) filter (where sign = 'gap') over so_far as gap_place,
        max(place) filter (where sign = 'alarm_unclear' and not coalesce(zero_here, false)) over so_far
            as unclear_place,
        max(place) filter (where sign = 'dose_end' and mine) over so_far as dose_end_place,
        max(place) filter (where sign = 'alarm_stop') over so_far as alarm_place,
        max(place) filter (where mine and sign in ('pause', 'standby', 'door', 'halts')) over so_far as pause_place,
        max(place) filter (where raises) over so_far as raise_place,
        max(place) filter (where sign = 'change' and mine) over so_far as change_place,
        max(place) filter (where sign in ('pause', 'standby', 'alarm_stop', 'door', 'halts')) over so_far as stop_place,
        max(place) filter (where sign = 'priming') over so_far as priming_place,
        max(place) filter (
            where sign in ('priming_end', 'gap', 'pause', 'standby') or closes or hold_plain is not null
        ) over so_far as priming_stop_place,
        max(place) filter (where sign = 'bolus' and own) over so_far as bolus_place,
        max(place) filter (
            where sign in (
                'bolus_end', 'gap', 'alarm_unclear', 'alarm_stop', 'priming', 'pause', 'standby', 'door', 'halts'
            )
            or closes or (hold_plain is not null and sign <> 'bolus')
        ) over so_far as bolus_stop_place
    from signs
    window so_far as (rows between unbounded preceding and current row)
),

befores as (
    select
        * exclude (
            open_place, close_place, holding, hold_place, proof_place, proof_links, gap_place, unclear_place,
            dose_end_place, alarm_place, pause_place, raise_place, change_place, stop_place, priming_place,
            priming_stop_place, bolus_place, bolus_stop_place
        ),
        greatest(lag(open_place) over (), floor_place) > greatest(lag(close_place) over (), floor_place) as open_before,
        case when not is_first then lag(holding) over () end as hold_before,
        greatest(lag(hold_place) over (), floor_place) as hold_place_before,
        greatest(lag(proof_place) over (), floor_place) as proof_place_before,
        case when not is_first then lag(proof_links) over () end as proof_unsure_links,
        greatest(lag(gap_place) over (), floor_place) as gap_place_before,
        greatest(lag(unclear_place) over (), floor_place) as unclear_place_before,
        greatest(lag(dose_end_place) over (), floor_place) as dose_end_place_before,
        greatest(lag(alarm_place) over (), floor_place) as alarm_place_before,
        greatest(lag(pause_place) over (), floor_place) as pause_place_before,
        greatest(lag(raise_place) over (), floor_place) as raise_place_before,
        greatest(lag(change_place) over (), floor_place) as change_place_before,
        greatest(lag(stop_place) over (), floor_place) as stop_place_before,
        greatest(lag(priming_place) over (), floor_place)
        > greatest(lag(priming_stop_place) over (), floor_place) as priming_before,
        greatest(lag(bolus_place) over (), floor_place)
        > greatest(lag(bolus_stop_place) over (), floor_place) as bolus_before
    from lasts
),

judged as (
    select
        *,
        coalesce(
            hold_before in ('run', 'kvo') and not priming_before and dose_end_place_before <= hold_place_before,
            false
        ) or opens as delivering_before,
        greatest(gap_place_before, unclear_place_before)
        > greatest(hold_place_before, proof_place_before) as unknown_before,
        -- after an unbridged gap the first proof of running shows that it runs, whatever held before
        coalesce(
            proves and own and open_before and hold_plain is null
            and sign not in ('stop', 'complete', 'pause', 'alarm_stop')
            and gap_place_before > greatest(hold_place_before, proof_place_before)
            and (hold_before in ('run', 'wait') or stop_place_before > hold_place_before),
            false
        ) as shows_running,
        coalesce(
            sign = 'change' and mine and open_before and hold_before = 'kvo' and not bolus_before
            and case
                -- after an alarm a rate above 0 resumes (ruling 18), and what it sets is no keep-open rate
                when alarm_place_before > hold_place_before
                    then raises and pause_place_before <= hold_place_before
                else stop_place_before <= hold_place_before and change_place_before <= hold_place_before
            end,
            false
        ) as leaves_keep_open
    from befores
),

halts as (
    select
        * exclude (hold_plain),
        coalesce(
            hold_plain,
            case
                when shows_running and sign = 'dose_end' then 'between'
                when shows_running or leaves_keep_open then 'run'
                -- what ends a bolus is what holds after it, whatever held before it (ruling 26)
                when
                    bolus_before and hold_before in ('run', 'kvo', 'between', 'wait')
                    and (
                        sign in ('alarm_stop', 'alarm_unclear', 'door')
                        or (sign in ('pause', 'standby') and mine) or (sign = 'halts' and own)
                    )
                    then 'run'
                when bolus_before and sign = 'dose_end' and mine then 'between'
                when
                    sign = 'dose_end' and mine and not priming_before and pause_place_before < hold_place_before
                    and alarm_place_before <= greatest(hold_place_before, raise_place_before)
                    then 'between'
            end
        ) as hold,
        case
            when mine and sign = 'pause' then 'pause'
            -- standby proves nothing, so it ends no stretch of which nobody knows (ruling 22)
            when
                mine and sign = 'standby'
                and gap_place_before <= greatest(hold_place_before, proof_place_before)
                then 'pause'
            when
                (sign = 'door' or (sign = 'halts' and own))
                and ((delivering_before and not unknown_before) or bolus_before)
                then 'pause'
            when
                sign = 'alarm_stop'
                and ((delivering_before and (own or not unknown_before)) or bolus_before)
                then 'alarm'
            -- running at a rate of 0 is paused (ruling 46)
            when
                mine and zero_here and (
                    sign in ('start', 'dose') or leaves_keep_open
                    or (
                        sign in ('change', 'programme', 'bypass') and delivering_before
                        and (opens or hold_before = 'run' or change_place_before > hold_place_before)
                    )
                )
                then 'zero'
        end as halt
    from judged
),

held as (
    select
        *,
        greatest(max(place) filter (where hold is not null) over so_far, floor_place) as hold_place,
        max(place) filter (where halt is not null) over so_far as halt_place
    from halts
    window so_far as (rows between unbounded preceding and current row)
),

firsts as (
    select
        *,
        -- the first halt since it last ran; a raise ends the halt of an alarm or of rate 0
        halt is not null
        and greatest(lag(halt_place) over (), floor_place) < greatest(hold_place, raise_place_before) as halts_first
    from held
),

kinds as (
    select
        *,
        arg_max_null(case when halts_first then halt end, place) filter (where is_first or halts_first) over so_far
            as first_halt,
        arg_max_null(case when halts_first then at_us end, place) filter (where is_first or halts_first) over so_far
            as first_halt_us
    from firsts
    window so_far as (rows between unbounded preceding and current row)
),

pauses as (
    select *, coalesce(halt = 'pause' and first_halt in ('pause', 'zero'), false) as pauses
    from kinds
),

paused as (
    select *, max(place) filter (where pauses) over so_far as pause_place
    from pauses
    window so_far as (rows between unbounded preceding and current row)
)

select
    * exclude (
        open_before, hold_before, hold_place_before, gap_place_before, unclear_place_before,
        dose_end_place_before, alarm_place_before, pause_place_before,
        raise_place_before, change_place_before, stop_place_before, shows_running, leaves_keep_open, unknown_before,
        halt_place, pause_place, dose_value
    ),
    -- a pause holds until a start, whatever alarms and rate changes come after it
    pauses and greatest(lag(pause_place) over (), floor_place) < hold_place as pauses_first
from paused
