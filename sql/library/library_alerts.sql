-- title: Limit alerts as they were logged, each with the attempt that it belongs to
-- grain: one limit alert of one attempt
-- why: a decision row with no alert open is alert and decision in one (ruling 36); a repeated alert_id is one alert
with logged as (
    select
        e.event_id, e.pump_id, e.channel, e.occurred_at, e.sequence, e.kind, e.alert_id, e.decision_logged,
        e.limit_kind, e.limit_side, e.limit_quantity, e.limit_value, e.entered_value, e.limit_unit, e.care_area,
        e.entry, e.concentration_value, e.concentration_unit, e.weight_kg, e.library_version
    from counting_events as e
    left join library_attempts as f
        on e.event_id = split_part(f.attempt_id, ':', 1)
    where
        e.kind in ('limit_alerted', 'limit_overridden', 'reprogrammed_within_limits')
        -- a warning that the log has only as an alarm
        or (e.kind = 'alarm_raised' and f.attempt_id is not null)
    group by all
),

-- an alert of the whole pump belongs to one channel: that of the attempt it began, else the first (ruling 37)
placed as (
    select
        a.attempt_id, a.infusion_id as attempt_infusion_id, a.facility, a.care_area as attempt_area,
        a.entry as attempt_entry, a.outcome, a.in_span, l.*
    from logged as l
    inner join library_attempts as a
        on
            l.pump_id = a.pump_id
            and l.occurred_at >= a.first_alert_at and l.occurred_at <= a.last_alert_at
            and (l.channel = a.channel or l.channel = '')
    qualify
        row_number() over (
            partition by l.event_id
            order by split_part(a.attempt_id, ':', 1) = l.event_id desc, a.first_alert_at, a.attempt_id
        ) = 1
),

marked as (
    select
        *,
        kind in ('limit_overridden', 'reprogrammed_within_limits') as is_decision,
        alert_id is not null
        and row_number() over (
            partition by attempt_id, alert_id
            order by occurred_at, sequence, kind in ('limit_overridden', 'reprogrammed_within_limits'), event_id
        ) > 1 as is_repeat
    from placed
),

balanced as (
    select
        *,
        sum(
            case when not is_decision and not is_repeat then 1 else 0 end
            - case
                when is_decision or coalesce(decision_logged in ('overridden', 'within_limits'), false) then 1
                else 0
            end
        ) over in_attempt as balance
    from marked
    window in_attempt as (
        partition by attempt_id order by occurred_at, sequence, is_decision, event_id
        rows between unbounded preceding and current row
    )
),

waiting as (
    select
        *,
        balance - least(
            0,
            min(balance) over (
                partition by attempt_id order by occurred_at, sequence, is_decision, event_id
                rows between unbounded preceding and current row
            )
        ) as open_alerts
    from balanced
),

counted as (
    select
        *,
        coalesce(
            lag(open_alerts) over (
                partition by attempt_id order by occurred_at, sequence, is_decision, event_id
            ),
            0
        ) as open_before
    from waiting
)

select
    * exclude (balance, open_alerts, open_before, is_repeat, is_decision, alert_id, decision_logged, sequence)
from counted
where not is_repeat and (not is_decision or open_before = 0)
