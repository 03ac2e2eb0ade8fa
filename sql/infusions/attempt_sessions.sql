-- title: Where attempts can begin and end on a channel
-- grain: one event on one channel that saw a limit alert or a decision
-- order: watch_place
-- why: what ends an attempt does not depend on one being open, so the log is cut there first (ruling 35)
with active as (
    select
        *,
        (
            is_by_user and not is_alert
            and kind in (
                'attempt_cancelled', 'library_bypassed', 'key_pressed', 'care_area_selected', 'weight_changed',
                'infusion_started', 'infusion_resumed', 'rate_changed', 'programme_changed', 'bolus_started',
                'infusion_paused', 'infusion_stopped'
            )
        )
        or is_decision or (is_alert and mine) as is_activity,
        confirms or stops or (coalesce(decision in ('cancelled', 'left_library'), false) and mine) as ends_after
    from watch_log
),

acted as (
    select
        *,
        arg_max_null(case when is_activity then at_us end, watch_place) filter (where is_first or is_activity)
            over so_far as active_us
    from active
    window so_far as (rows between unbounded preceding and current row)
),

timed as (
    select *, not is_first and coalesce(at_us - lag(active_us) over () > 600000000, false) as timed_out
    from acted
),

cutting as (
    select *, cast(timed_out or switched_off or patient_turned as integer) as cuts
    from timed
),

cut as (
    select
        *,
        -- a number of its own a session: what ends one is its last row, what cuts is the first of the next
        cast(sum(cuts + cast(ends_after as integer)) over (rows between unbounded preceding and current row) as bigint)
        - cast(ends_after as integer) as session,
        not coalesce(lead(is_first) over (), true) as has_next,
        lead(timed_out) over () as next_timed_out,
        lead(at_us) over () as next_at_us
    from cutting
)

select
    * exclude (is_activity, ends_after, timed_out, stops, is_first, cuts, has_next, next_timed_out, next_at_us),
    case
        when confirms then 'confirmed'
        when ends_after and decision = 'cancelled' then 'cancelled'
        when ends_after and decision = 'left_library' then 'left'
        when ends_after then 'stopped'
        when not has_next or next_timed_out then 'timed_out'
        else 'power_or_patient'
    end as ending,
    case when has_next then next_at_us end as next_us
from cut
where
    watch_no in (
        select watch_no
        from watch_log
        where is_alert or is_decision
    )
order by watch_place
