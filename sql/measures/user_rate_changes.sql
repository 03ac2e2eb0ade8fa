-- title: Rate changes by users beside the running time
-- grain: infusion (cluster), month, care area, entry, pump type, high-alert flag, source
with beside as (
    select
        infusion_id,
        month,
        care_area,
        entry,
        pump_type,
        high_alert,
        source,
        cast(1 as bigint) as changes,
        cast(0 as bigint) as elapsed_us
    from rate_changes
    union all
    select
        infusion_id,
        month,
        care_area,
        entry,
        pump_type,
        high_alert,
        source,
        cast(0 as bigint) as changes,
        elapsed_us
    from running_hours
)

select
    b.infusion_id as cluster,
    b.month,
    b.care_area,
    b.entry,
    b.pump_type,
    b.high_alert,
    b.source,
    cast(sum(case when c.source_name is not null then b.changes else 0 end) as bigint) as numerator,
    cast(sum(case when c.source_name is not null then b.elapsed_us else 0 end) as bigint) as denominator,
    cast(0 as bigint) as left_out_unknown,
    cast(sum(case when c.source_name is null then b.elapsed_us else 0 end) as bigint) as left_out_unable
from beside as b
left join able_sources as c
    on b.source = c.source_name and c.measure = 'user_rate_changes'
group by b.infusion_id, b.month, b.care_area, b.entry, b.pump_type, b.high_alert, b.source
