-- title: Delivery alarms of running infusions beside the running time
-- grain: infusion (cluster), month, care area, entry, pump type, high-alert flag, source, alarm kind and priority
with beside as (
    select
        a.cluster,
        a.month,
        a.care_area,
        a.entry,
        a.pump_type,
        a.high_alert,
        a.source,
        a.alarm_kind,
        a.alarm_priority,
        cast(1 as bigint) as alarms,
        cast(0 as bigint) as elapsed_us
    from month_alarms as a
    where a.concerns = 'delivery' and a.was_running
    union all
    select
        infusion_id as cluster,
        month,
        care_area,
        entry,
        pump_type,
        high_alert,
        source,
        '' as alarm_kind,
        '' as alarm_priority,
        cast(0 as bigint) as alarms,
        elapsed_us
    from running_hours
)

select
    b.cluster,
    b.month,
    b.care_area,
    b.entry,
    b.pump_type,
    b.high_alert,
    b.source,
    b.alarm_kind,
    b.alarm_priority,
    cast(sum(case when c.source_name is not null then b.alarms else 0 end) as bigint) as numerator,
    cast(sum(case when c.source_name is not null then b.elapsed_us else 0 end) as bigint) as denominator,
    cast(0 as bigint) as left_out_unknown,
    cast(sum(case when c.source_name is null then b.elapsed_us else 0 end) as bigint) as left_out_unable
from beside as b
left join able_sources as c
    on b.source = c.source_name and c.measure = 'delivery_alarm_rate'
group by
    b.cluster, b.month, b.care_area, b.entry, b.pump_type, b.high_alert, b.source, b.alarm_kind, b.alarm_priority
