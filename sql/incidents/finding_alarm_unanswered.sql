-- title: Alarms that nobody silenced or cleared for long
-- grain: one alarm
-- note: where the source cannot log clearing (`ended_at` is null) nobody can tell, and there is no finding
with ends as (
    select
        *,
        coalesce(least(silenced_at, cleared_at), silenced_at, cleared_at, ended_at) as answered_at
    from alarms
)

select
    a.facility, a.pump_id, a.channel,
    a.raised_at as at,
    a.answered_at as until_at,
    a.infusion_id, a.care_area,
    cast(null as varchar) as entry,
    (epoch_us(a.answered_at) - epoch_us(a.raised_at)) / 60000000.0 as size,
    cast(null as double) as before_value,
    (epoch_us(a.answered_at) - epoch_us(a.raised_at)) / 60000000.0 as after_value,
    'min' as unit,
    concat_ws(
        ', ', a.alarm_kind,
        case when a.silenced_at is null and a.cleared_at is null then 'never silenced or cleared' end
    ) as detail,
    [split_part(a.alarm_id, ':', 1)] as evidence
from ends as a
cross join trace_settings as t
where a.ended_at is not null and epoch_us(a.answered_at) - epoch_us(a.raised_at) > t.unanswered_us
