-- title: How long alarms lasted until they were cleared, and until the first response
-- grain: measure, month, care area, entry, pump type, high-alert flag, source, duration, whether its end was seen
-- note: an alarm whose end was not seen counts as lasting at least until its infusion, power or log ended (ruling 12)
with answered as (
    select
        *,
        'alarm_time_to_clear' as measure,
        cleared_at as answered_at
    from month_alarms
    union all
    select
        *,
        'alarm_time_to_first_response' as measure,
        least(silenced_at, cleared_at) as answered_at
    from month_alarms
),

timed as (
    select
        t.*,
        c.source_name is not null as can_log,
        t.answered_at is not null as seen,
        greatest(
            epoch_us(coalesce(t.answered_at, t.ended_at, t.raised_at)) - epoch_us(t.raised_at), 0
        ) as duration_us
    from answered as t
    left join able_sources as c
        on t.measure = c.measure and t.source = c.source_name
)

select
    measure,
    month,
    care_area,
    entry,
    pump_type,
    high_alert,
    source,
    case when can_log then duration_us end as duration_us,
    case when can_log then seen end as seen,
    cast(sum(case when can_log and seen then 1 else 0 end) as bigint) as numerator,
    cast(sum(case when can_log then 1 else 0 end) as bigint) as denominator,
    cast(0 as bigint) as left_out_unknown,
    cast(sum(case when can_log then 0 else 1 end) as bigint) as left_out_unable
from timed
group by
    measure, month, care_area, entry, pump_type, high_alert, source,
    case when can_log then duration_us end, case when can_log then seen end
