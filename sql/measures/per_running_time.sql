-- title: What is counted per running time, beside that time: delivery alarms, minutes lost, rate changes by users
-- grain: measure, infusion (cluster), month, care area, entry, pump type, high-alert flag, source, alarm kind, priority
-- note: what happened and is not told enough to be counted is `passed_over`; where nothing of a month is, its hours are
-- left out
with happened as (
    select
        'delivery_alarm_rate' as measure,
        cluster,
        month,
        care_area,
        entry,
        pump_type,
        high_alert,
        source,
        alarm_kind,
        alarm_priority,
        cast(case when concerns = 'delivery' then 1 else 0 end as bigint) as amount,
        cast(case when kind_told then 0 else 1 end as bigint) as passed_over
    from month_alarms
    where was_running and (concerns = 'delivery' or not kind_told)
    union all
    select
        'delivery_lost' as measure,
        infusion_id as cluster,
        month,
        care_area,
        entry,
        pump_type,
        high_alert,
        source,
        '' as alarm_kind,
        '' as alarm_priority,
        elapsed_us as amount,
        cast(0 as bigint) as passed_over
    from stopped_stretches
    union all
    select
        'delivery_lost' as measure,
        cluster,
        month,
        care_area,
        entry,
        pump_type,
        high_alert,
        source,
        '' as alarm_kind,
        '' as alarm_priority,
        cast(0 as bigint) as amount,
        cast(1 as bigint) as passed_over
    from month_alarms
    where was_running and not effect_told
    union all
    select
        'user_rate_changes' as measure,
        infusion_id as cluster,
        month,
        care_area,
        entry,
        pump_type,
        high_alert,
        source,
        '' as alarm_kind,
        '' as alarm_priority,
        cast(1 as bigint) as amount,
        cast(0 as bigint) as passed_over
    from rate_changes
    union all
    select
        'user_rate_changes' as measure,
        infusion_id as cluster,
        month,
        care_area,
        entry,
        pump_type,
        high_alert,
        source,
        '' as alarm_kind,
        '' as alarm_priority,
        cast(0 as bigint) as amount,
        changes as passed_over
    from rate_change_tellings
    where not is_told
),

beside as (
    select
        *,
        cast(0 as bigint) as elapsed_us
    from happened
    union all
    select
        m.measure,
        r.infusion_id as cluster,
        r.month,
        r.care_area,
        r.entry,
        r.pump_type,
        r.high_alert,
        r.source,
        '' as alarm_kind,
        '' as alarm_priority,
        cast(0 as bigint) as amount,
        cast(0 as bigint) as passed_over,
        r.elapsed_us
    from running_hours as r
    cross join (values ('delivery_alarm_rate'), ('delivery_lost'), ('user_rate_changes')) as m (measure)
)

select
    b.measure,
    b.cluster,
    b.month,
    b.care_area,
    b.entry,
    b.pump_type,
    b.high_alert,
    b.source,
    b.alarm_kind,
    b.alarm_priority,
    cast(sum(case when c.source_name is not null and u.source is null then b.amount else 0 end) as bigint) as numerator,
    cast(sum(case when c.source_name is not null and u.source is null then b.elapsed_us else 0 end) as bigint)
        as denominator,
    cast(0 as bigint) as left_out_unknown,
    cast(sum(case when c.source_name is null then b.elapsed_us else 0 end) as bigint) as left_out_unable,
    cast(sum(case when c.source_name is not null and u.source is not null then b.elapsed_us else 0 end) as bigint)
        as left_out_untold,
    cast(sum(case when c.source_name is not null then b.passed_over else 0 end) as bigint) as passed_over
from beside as b
left join able_sources as c
    on b.source = c.source_name and b.measure = c.measure
left join untold_months as u
    on b.source = u.source and b.month = u.month and b.measure = u.measure
group by
    b.measure, b.cluster, b.month, b.care_area, b.entry, b.pump_type, b.high_alert, b.source, b.alarm_kind,
    b.alarm_priority
