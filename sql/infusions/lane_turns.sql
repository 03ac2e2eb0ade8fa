-- title: Where a lane's infusions begin, continue and end
-- grain: one row of the lane's log
-- why: a start continues when programme and patient are the same and it stopped a short while ago; else it is a start
with kept as (
    select
        *,
        -- the same named entry goes on, so what is known of its infusion still holds
        says_unknown
        and coalesce(
            use_known in ('limited', 'no_limit_entry') and entry_named = entry_before and entry_named = entry_ran.v,
            false
        )
        and not concentration_differs
        and case
            when starts then would_continue and not care_area_differs and not fluid_differs
            else
                state_before <> 'closed' and state <> 'closed' and not patient_turned and not opens and not opens_late
        end as keeps_use
    from lane_links
),

used as (
    select
        *,
        arg_max(
            case when says_unknown and not keeps_use then 'unknown' else use_told end,
            place
        ) over (
            partition by lane_no order by place
            rows between unbounded preceding and current row
        ) as use_here
    from kept
),

ran as (
    select
        *,
        arg_max(case when confirms_programme then {'v': use_here} end, place) over (
            partition by lane_no order by place
            rows between unbounded preceding and 1 preceding
        ).v as use_ran
    from used
),

differing as (
    select
        *,
        coalesce(
            use_here <> use_ran
            -- what is told later of the entry that began unknown begins nothing new
            and not (use_ran = 'unknown' and use_here <> 'bypassed' and coalesce(entry_key = entry_ran.v, false)),
            false
        ) as use_differs
    from ran
),

judged as (
    select *, use_differs or entry_differs or concentration_differs as programme_differs
    from differing
),

turned as (
    select
        *,
        case
            when opens_unseen or opens_late or patient_splits then true
            when starts then not would_continue or programme_differs or care_area_differs or fluid_differs
            else takes and programme_differs
        end as is_new,
        case
            when opens_unseen or opens_late or patient_splits then false
            when starts then would_continue and (programme_differs or care_area_differs) and not fluid_differs
            else takes and programme_differs
        end as is_linked
    from judged
)

select
    lane_no, place, at_us, sign, own, mine, patient_turned, begins, starts, opens, opens_late, state, state_before,
    ends_here, end_sign, is_late, is_waiting, waiting_since_us, waiting_since_before_us, gap_before, waiting_before,
    is_after_gap, proof_place_before, is_unbroken, stop_missing, would_continue, refills, programme_place, rate_ml_h,
    is_new, is_linked, keeps_use, nullif(use_here, 'unknown') as use_here,
    case
        when not is_new then null
        when opens_unseen or opens_late then 'missing'
        when patient_splits then 'patient_change'
        when not is_linked then 'start'
        when use_differs and use_here = 'bypassed' and use_ran <> 'unknown' then 'left_library'
        when use_differs and use_ran = 'bypassed' and use_here <> 'unknown' then 'entered_library'
        when entry_differs then 'entry_changed'
        when concentration_differs then 'concentration_changed'
        else 'start'
    end as start_kind,
    coalesce(
        not is_new and (takes or (no_gap and would_continue)) and (no_gap or state_before = 'running')
        and case when no_gap then rate_ran.v else rate_before end > 0 and rate_ml_h > 0
        and case when no_gap then rate_ran.v else rate_before end <> rate_ml_h,
        false
    ) as is_rate_change,
    -- one number an infusion, of all lanes
    max(case when is_new then place end) over (
        partition by lane_no order by place rows between unbounded preceding and current row
    ) as ordinal,
    case
        when sign = 'stop' then 'stopped'
        when sign = 'complete' and mine then 'completed'
        when sign in ('off', 'on') then 'powered_off'
        when patient_turned then 'patient_change'
        when starts or opens or opens_late or sign = 'other_lane' then 'superseded'
    end as ender
from turned
