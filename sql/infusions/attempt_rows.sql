-- title: The alerts and decisions of each attempt
-- grain: one alert or decision of one attempt
-- needs: attempt_sessions
-- why: which decision rows are alerts themselves follows from how many alerts wait for one (ruling 36)
with repeated as (
    select
        watch_no, session, place, at_us, event_id, kind, entry, care_area, decision, alert_id,
        limit_kind_told as limit_kind,
        limit_side,
        limit_quantity,
        coalesce(limit_quantity, '') as quantity,
        limit_value,
        limit_unit, entered_value, is_alert, is_decision, is_decision_kind, place = first_place as is_first,
        alert_id is not null
        and row_number() over (
            partition by watch_no, session, alert_id order by place
        ) > 1 as is_repeat
    from attempt_log
    where is_limit_row
),

stepped as (
    select
        *,
        -- an alert waits, a decision answers one
        sum(
            case when is_alert and not is_repeat then 1 else 0 end
            - case when coalesce(decision in ('overridden', 'within_limits'), false) then 1 else 0 end
        ) over in_attempt as balance
    from repeated
    window in_attempt as (
        partition by watch_no, session order by place
        rows between unbounded preceding and current row
    )
),

counted as (
    select
        *,
        balance - least(
            0,
            min(balance) over (
                partition by watch_no, session order by place
                rows between unbounded preceding and current row
            )
        ) as waiting
    from stepped
)

select
    * exclude (balance, waiting, is_repeat),
    is_first or (is_alert and not is_repeat)
    or (
        is_decision and not is_repeat
        and lag(waiting) over (partition by watch_no, session order by place) = 0
    ) as counts
from counted
