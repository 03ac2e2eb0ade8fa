-- title: Alarms of the month, and what each counts as
-- grain: one alarm
select
    a.care_area,
    m.happened_on,
    m.shift,
    a.entry,
    a.high_alert,
    a.alarm_kind,
    a.alarm_priority,
    a.raw_count,
    a.was_running,
    a.concerns,
    case
        when not a.was_running or (a.concerns <> 'delivery' and a.kind_told) then ''
        when d.source_name is null or not a.kind_told then 'left out'
        else 'counted'
    end as delivery_alarm_rate,
    case
        when a.concerns <> 'pump' and a.kind_told then ''
        when p.source_name is null or not a.kind_told then 'left out'
        else 'counted'
    end as pump_alarm_rate,
    cast(
        case
            when t.source_name is not null
                then greatest(epoch_us(coalesce(a.cleared_at, a.ended_at, a.raised_at)) - epoch_us(a.raised_at), 0)
        end / cast(60000000 as decimal(28, 9)) as decimal(28, 9)
    ) as minutes_to_clear,
    case
        when t.source_name is null then 'left out'
        when a.cleared_at is not null then 'counted'
        else 'not counted'
    end as alarm_time_to_clear,
    cast(
        case
            when f.source_name is not null
                then greatest(
                    epoch_us(coalesce(least(a.silenced_at, a.cleared_at), a.ended_at, a.raised_at))
                    - epoch_us(a.raised_at), 0
                )
        end / cast(60000000 as decimal(28, 9)) as decimal(28, 9)
    ) as minutes_to_first_response,
    case
        when f.source_name is null then 'left out'
        when least(a.silenced_at, a.cleared_at) is not null then 'counted'
        else 'not counted'
    end as alarm_time_to_first_response,
    a.pump_id,
    a.pump_type,
    a.source,
    m.source_file,
    m.source_file_sha256,
    m.source_record,
    a.alarm_id as id,
    m.local_time
from month_alarms as a
inner join report_month as w
    on a.month = w.month
inner join list_moments as m
    on m.list = 'alarms' and a.alarm_id = m.id
left join able_sources as d
    on a.source = d.source_name and d.measure = 'delivery_alarm_rate'
left join able_sources as p
    on a.source = p.source_name and p.measure = 'pump_alarm_rate'
left join able_sources as t
    on a.source = t.source_name and t.measure = 'alarm_time_to_clear'
left join able_sources as f
    on a.source = f.source_name and f.measure = 'alarm_time_to_first_response'
order by a.care_area, m.happened_on, m.shift, a.alarm_id
