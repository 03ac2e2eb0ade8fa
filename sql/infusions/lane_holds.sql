-- title: What each row of a lane's log does to the state before it
-- grain: one row of the lane's log
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

befores as (
    select
        *,
        coalesce(max(case when opens then place end) over before, 0)
        > coalesce(max(case when closes then place end) over before, 0) as open_before,
        arg_max(hold_plain, place) over before as hold_before,
        coalesce(
            max(case when hold_plain is not null then place end) over before, 0
        ) as hold_place_before,
        coalesce(max(case when proves then place end) over before, 0) as proof_place_before,
        arg_max(case when proves then unsure_links end, place) over before as proof_unsure_links,
        coalesce(max(case when sign = 'gap' then place end) over before, 0) as gap_place_before,
        coalesce(
            max(
                case when sign = 'alarm_unclear' and not coalesce(zero_here, false) then place end
            ) over before, 0
        ) as unclear_place_before,
        coalesce(
            max(case when sign = 'dose_end' and mine then place end) over before, 0
        ) as dose_end_place_before,
        coalesce(
            max(case when sign = 'alarm_stop' then place end) over before, 0
        ) as alarm_place_before,
        coalesce(
            max(case when mine and sign in ('pause', 'standby', 'door', 'halts') then place end)
                over before,
            0
        )
            as pause_place_before,
        coalesce(max(case when raises then place end) over before, 0) as raise_place_before,
        coalesce(
            max(case when sign = 'change' and mine then place end) over before, 0
        ) as change_place_before,
        coalesce(
            max(
                case when sign in ('pause', 'standby', 'alarm_stop', 'door', 'halts') then place end
            ) over before,
            0
        ) as stop_place_before,
        coalesce(max(case when sign = 'priming' then place end) over before, 0)
        > coalesce(
            max(
                case
                    when
                        sign in ('priming_end', 'gap', 'pause', 'standby') or closes or hold_plain is not null
                        then place
                end
            ) over before, 0
        ) as priming_before,
        coalesce(max(case when sign = 'bolus' and own then place end) over before, 0)
        > coalesce(
            max(
                case
                    when
                        sign in (
                            'bolus_end', 'gap', 'alarm_unclear', 'alarm_stop', 'priming', 'pause', 'standby', 'door',
                            'halts'
                        )
                        or closes or (hold_plain is not null and sign <> 'bolus')
                        then place
                end
            ) over before, 0
        ) as bolus_before
    from signs
    window before as (
        partition by lane_no order by place
        rows between unbounded preceding and 1 preceding
    )
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

firsts as (
    select
        *,
        -- the first halt since it last ran; a raise ends the halt of an alarm or of rate 0
        halt is not null
        and coalesce(max(case when halt is not null then place end) over before, 0) < greatest(
            coalesce(
                max(case when hold is not null then place end) over here, 0
            ), raise_place_before
        ) as halts_first
    from halts
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

kinds as (
    select
        *,
        arg_max(case when halts_first then halt end, place) over here as first_halt,
        arg_max(case when halts_first then at_us end, place) over here as first_halt_us,
        coalesce(max(case when hold is not null then place end) over here, 0) as hold_place
    from firsts
    window here as (
        partition by lane_no order by place
        rows between unbounded preceding and current row
    )
),

pauses as (
    select *, coalesce(halt = 'pause' and first_halt in ('pause', 'zero'), false) as pauses
    from kinds
)

select
    * exclude (
        open_before, hold_before, hold_place_before, gap_place_before, unclear_place_before,
        dose_end_place_before, alarm_place_before, pause_place_before,
        raise_place_before, change_place_before, stop_place_before, shows_running, leaves_keep_open, unknown_before
    ),
    -- a pause holds until a start, whatever alarms and rate changes come after it
    pauses
    and coalesce(
        max(case when pauses then place end) over (
            partition by lane_no order by place
            rows between unbounded preceding and 1 preceding
        ), 0
    ) < hold_place as pauses_first
from pauses
