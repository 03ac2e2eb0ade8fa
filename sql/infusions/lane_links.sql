-- title: What last ran on a lane before each row, and whether a start goes on with it
-- grain: one row of the lane's log
-- order: place
-- why: what ran, where it ended and what came between decide what a start continues, whatever the library use
with seen as (
    select
        *,
        arg_max_null(case when confirms_programme then entry_key end, place)
        filter (where is_first or confirms_programme)
            over so_far
            as entry_seen,
        arg_max_null(case when confirms_programme then concentration_key end, place)
        filter (where is_first or confirms_programme)
            over so_far
            as concentration_seen,
        arg_max_null(case when confirms_programme then fluid end, place)
        filter (where is_first or (confirms_programme and fluid is not null))
            over so_far
            as fluid_seen,
        greatest(max(place) filter (where confirms_programme) over so_far, floor_place) as programme_place,
        arg_max_null(case when delivers or starts or opens or opens_late then care_area_here end, place)
        filter (where is_first or delivers or starts or opens or opens_late)
            over so_far
            as care_area_seen,
        -- what begins with a bolus has no rate of its own yet
        arg_max_null(case when state = 'running' then rate_ml_h end, place) filter (
            where is_first or state = 'running' or (opens and not begins) or opens_late or patient_splits
        ) over so_far as rate_seen,
        arg_max_null(end_sign, place) filter (where is_first or end_sign is not null) over so_far as end_sign_seen,
        arg_max_null(case when ends_here then at_us end, place) filter (where is_first or ends_here) over so_far
            as ended_us,
        arg_max_null(case when ends_here then state_before end, place) filter (where is_first or ends_here) over so_far
            as state_ended,
        max(place) filter (where delivers or opens or opens_late or patient_splits) over so_far as ran_place_seen,
        max(place) filter (where ends_here) over so_far as ended_place_seen,
        max(place) filter (where sign = 'cleared') over so_far as cleared_place_seen,
        max(place) filter (
            where sign in ('off', 'on') or patient_turned or end_sign in ('late', 'patient')
            or (sign = 'other_lane' and (lane = 1 or state_before = 'closed'))
        ) over so_far as barred_place_seen
    from lane_marks
    window so_far as (rows between unbounded preceding and current row)
),

lasts as (
    select
        * exclude (
            entry_seen, concentration_seen, fluid_seen, care_area_seen, rate_seen, end_sign_seen, ended_us, state_ended,
            ran_place_seen, ended_place_seen, cleared_place_seen, barred_place_seen
        ),
        case when not is_first then lag(entry_key) over () end as entry_before,
        case when not is_first then lag(rate_ml_h) over () end as rate_before,
        case when not is_first then lag(entry_seen) over () end as entry_ran,
        case when not is_first then lag(concentration_seen) over () end as concentration_ran,
        case when not is_first then lag(fluid_seen) over () end as fluid_ran,
        case when not is_first then lag(care_area_seen) over () end as care_area_ran,
        case when not is_first then lag(rate_seen) over () end as rate_ran,
        case when not is_first then lag(end_sign_seen) over () end as end_sign_before,
        case when not is_first then lag(ended_us) over () end as ended_before_us,
        case when not is_first then lag(state_ended) over () end as state_at_end,
        greatest(lag(ran_place_seen) over (), floor_place) as ran_place,
        greatest(lag(ended_place_seen) over (), floor_place) as ended_place,
        greatest(lag(cleared_place_seen) over (), floor_place) as cleared_place,
        greatest(lag(barred_place_seen) over (), floor_place) as barred_place
    from seen
),

compared as (
    select
        *,
        coalesce(entry_key <> entry_ran, false) as entry_differs,
        coalesce(concentration_key <> concentration_ran, false) as concentration_differs,
        coalesce(fluid <> fluid_ran, false) as fluid_differs,
        coalesce(care_area_here <> care_area_ran, false) as care_area_differs,
        -- the stop got lost: across a gap, or where nobody can say that nothing was lost (ruling 1)
        begins and (
            (state_before in ('running', 'bolus') and not is_unbroken)
            or (
                state_before = 'unknown' and not waiting_before and not patient_turned
                and (gap_before or (at_us - waiting_since_before_us > window_us and not is_unbroken))
            )
        ) as stop_missing,
        ran_place > floor_place and not patient_turned
        and case
            when state_before in ('running', 'bolus', 'suspended') then true
            when state_before = 'unknown' and not waiting_before
                then not gap_before and at_us - waiting_since_before_us <= window_us
            when barred_place > ran_place then false
            -- totals cleared before the logged stop do not lie between that and the start
            when cleared_place > greatest(ran_place, ended_place) then false
            -- what began or was found to run on the other line since the stop is another infusion
            when state_before = 'closed' and coalesce(other_opened_place > ended_place, false) then false
            when state_before = 'closed'
                then
                    end_sign_before in ('stop', 'complete', 'bolus_end')
                    and at_us - ended_before_us <= stop_window_us
            else not is_late
        end as may_continue,
        begins and (
            state_before in ('running', 'bolus')
            or coalesce(
                state_before = 'closed' and end_sign_before = 'stop' and state_at_end in ('running', 'bolus')
                and at_us - ended_before_us <= no_gap_us,
                false
            )
        ) as no_gap,
        begins and (
            state_before = 'keep_open'
            or coalesce(state_before = 'closed' and (end_sign_before = 'complete' or state_at_end = 'keep_open'), false)
        ) as refills
    from lasts
)

select
    * exclude (
        may_continue, patient_closes, closes, delivers, concentration_ran, fluid_ran, care_area_ran, end_sign_before,
        ended_before_us, state_at_end, ran_place, ended_place, cleared_place, barred_place, other_opened_place,
        window_us, stop_window_us, no_gap_us, floor_place
    ),
    starts and coalesce(may_continue, false) and not stop_missing as would_continue
from compared
