-- title: Where a lane's infusions begin, continue and end
-- grain: one row of the lane's log
-- order: place
-- why: a start continues when programme and patient are the same and it stopped a short while ago; else it is a start
with kept as (
    select
        *,
        -- the same named entry goes on, so what is known of its infusion still holds
        says_unknown
        and coalesce(
            use_known in ('limited', 'no_limit_entry') and entry_named = entry_before and entry_named = entry_ran,
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
        case when says_unknown and not keeps_use then 'unknown' else use_told end as use_set
    from kept
),

held as (
    select
        *,
        arg_max_null(use_set, place) filter (where is_first or use_set is not null) over so_far as use_here
    from used
    window so_far as (rows between unbounded preceding and current row)
),

running as (
    select
        *,
        arg_max_null(case when confirms_programme then use_here end, place)
        filter (where is_first or confirms_programme)
            over so_far
            as use_running
    from held
    window so_far as (rows between unbounded preceding and current row)
),

ran as (
    select *, case when not is_first then lag(use_running) over () end as use_ran
    from running
),

differing as (
    select
        *,
        coalesce(
            use_here <> use_ran
            -- what is told later of the entry that began unknown begins nothing new
            and not (use_ran = 'unknown' and use_here <> 'bypassed' and coalesce(entry_key = entry_ran, false)),
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
),

numbered as (
    select
        *,
        case
            when mine and (starts or opens or opens_late or sign in ('change', 'programme', 'bypass'))
                then volume_to_infuse_ml
        end as volume_told_ml,
        max(place) filter (where is_new) over so_far as began_place
    from turned
    window so_far as (rows between unbounded preceding and current row)
)

select
    lane_no, place, at_us, sign, own, mine, patient_turned, begins, starts, opens, opens_late, state, state_before,
    ends_here, end_sign, is_late, is_waiting, waiting_since_us, waiting_since_before_us, gap_before, waiting_before,
    is_after_gap,
    proof_place_before,
    is_unbroken,
    reached_us,
    stop_missing,
    would_continue,
    refills,
    programme_place,
    rate_ml_h,
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
        and case when no_gap then rate_ran else rate_before end > 0 and rate_ml_h > 0
        and case when no_gap then rate_ran else rate_before end <> rate_ml_h,
        false
    ) as is_rate_change,
    -- one number an infusion, of all lanes
    case when began_place // 68719476736 = lane_no then began_place end as ordinal,
    volume_told_ml,
    case
        when sign = 'stop' then 'stopped'
        when sign = 'complete' and mine then 'completed'
        when sign in ('off', 'on') then 'powered_off'
        when patient_turned then 'patient_change'
        when starts or opens or opens_late or sign = 'other_lane' then 'superseded'
    end as ender
from numbered
