-- title: Values past a limit that were confirmed
-- grain: one attempt whose outcome is overridden
with rows_of as (
    select
        a.attempt_id,
        list(e.event_id order by e.occurred_at, coalesce(e.sequence, 0), e.event_id) as evidence,
        -- the kind of the very limit that is named: the attempt may have met others; of both, the soft (ruling 34)
        max(
            case
                when
                    a.limit_value = e.limit_value and a.limit_side = e.limit_side
                    and a.limit_quantity = e.limit_quantity
                    then e.limit_kind
            end
        ) as kind_named
    from attempts as a
    inner join events as e
        on
            a.facility = e.facility and a.pump_id = e.pump_id
            and a.first_alert_at <= e.occurred_at
            and e.occurred_at <= coalesce(a.decided_at, a.last_alert_at)
            and (a.channel = e.channel or e.channel = '')
    where
        a.outcome = 'overridden'
        and e.kind in ('limit_alerted', 'limit_overridden', 'reprogrammed_within_limits', 'alarm_raised')
    group by a.attempt_id
)

select
    a.facility, a.pump_id, a.channel,
    a.first_alert_at as at,
    coalesce(a.decided_at, a.last_alert_at) as until_at,
    a.infusion_id, a.care_area, a.entry,
    a.limit_multiple as size,
    a.limit_value as before_value,
    coalesce(a.entered_final, a.entered_first) as after_value,
    a.limit_unit as unit,
    concat_ws(
        ' ', coalesce(r.kind_named, case when a.met_hard then 'hard' else 'soft' end), a.limit_side, a.limit_quantity
    ) as detail,
    coalesce(r.evidence, [split_part(a.attempt_id, ':', 1)]) as evidence
from attempts as a
left join rows_of as r on a.attempt_id = r.attempt_id
where a.outcome = 'overridden'
