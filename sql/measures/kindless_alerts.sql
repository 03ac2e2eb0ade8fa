-- title: Limit alerts that log no kind, soft or hard, of their limit
-- grain: one alert, or one decision that is an alert in one (ruling 36)
-- note: `is_override`: only a soft limit can be confirmed past, so that the kind follows
select
    event_id,
    kind = 'limit_overridden' or coalesce(decision_logged = 'overridden', false) as is_override
from events
where
    limit_kind is null
    and (
        kind in ('limit_alerted', 'limit_overridden', 'reprogrammed_within_limits')
        or (kind = 'alarm_raised' and alarm_kind = 'limit_alert')
    )
