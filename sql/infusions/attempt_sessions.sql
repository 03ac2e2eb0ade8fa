-- title: Where attempts can begin and end on a channel
-- grain: one event on one channel that saw a limit alert or a decision
-- why: what ends an attempt does not depend on one being open, so the log is cut there first (ruling 35)
with concerned as (
    select w.*
    from watch_log as w
    inner join (
        select distinct watch_no
        from watch_log
        where is_alert or is_decision
    ) as c on w.watch_no = c.watch_no
),

active as (
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
    from concerned
),

timed as (
    select
        *,
        arg_max(case when is_activity then at_us end, place) over (
            partition by watch_no order by place rows between unbounded preceding and current row
        ) as active_us,
        coalesce(
            at_us - arg_max(case when is_activity then at_us end, place) over (
                partition by watch_no order by place
                rows between unbounded preceding and 1 preceding
            ) > 600000000,
            false
        ) as timed_out
    from active
),

cut as (
    select
        *,
        coalesce(
            sum(
                case when timed_out or switched_off or patient_turned then 1 else 0 end
                + case when ends_after then 1 else 0 end
            ) over (
                partition by watch_no order by place
                rows between unbounded preceding and 1 preceding
            ),
            0
        )
        + case when timed_out or switched_off or patient_turned then 1 else 0 end as session
    from timed
)

select
    * exclude (is_activity, ends_after, timed_out, stops),
    case
        when confirms then 'confirmed'
        when ends_after and decision = 'cancelled' then 'cancelled'
        when ends_after and decision = 'left_library' then 'left'
        when ends_after then 'stopped'
        when coalesce(lead(timed_out) over in_lane, true) then 'timed_out'
        else 'power_or_patient'
    end as ending,
    lead(at_us) over in_lane as next_us
from cut
window in_lane as (partition by watch_no order by place)
