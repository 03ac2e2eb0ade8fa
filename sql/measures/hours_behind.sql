-- title: How many infusions stand behind what is told in hours, and behind what two such amounts differ by
-- grain: month, what an infusion has in each care area
-- note: `alike` has a number for each amount (hours under an entry, outside, both; hours beside alarms, beside lost
-- minutes, beside rate changes; lost minutes): 1 where there is none of it, the same number where two are the same
with amounts as (
    select
        month,
        infusion_id,
        care_area,
        part_us,
        whole_us,
        cast(0 as bigint) as alarm_us,
        cast(0 as bigint) as lost_us,
        cast(0 as bigint) as change_us,
        cast(0 as bigint) as stopped_us
    from library_use_hours
    union all
    select
        month,
        cluster as infusion_id,
        care_area,
        cast(0 as bigint) as part_us,
        cast(0 as bigint) as whole_us,
        case when measure = 'delivery_alarm_rate' then denominator else 0 end as alarm_us,
        case when measure = 'delivery_lost' then denominator else 0 end as lost_us,
        case when measure = 'user_rate_changes' then denominator else 0 end as change_us,
        case when measure = 'delivery_lost' then numerator else 0 end as stopped_us
    from per_running_time
),

summed as (
    select
        month,
        infusion_id,
        care_area,
        cast(sum(part_us) as bigint) as part_us,
        cast(sum(whole_us - part_us) as bigint) as rest_us,
        cast(sum(whole_us) as bigint) as whole_us,
        cast(sum(alarm_us) as bigint) as alarm_us,
        cast(sum(lost_us) as bigint) as lost_us,
        cast(sum(change_us) as bigint) as change_us,
        cast(sum(stopped_us) as bigint) as stopped_us
    from amounts
    group by month, infusion_id, care_area
),

listed as (
    select
        *,
        [0, part_us, rest_us, whole_us, alarm_us, lost_us, change_us, stopped_us] as every_us
    from summed
    where whole_us + alarm_us + lost_us + change_us + stopped_us > 0
),

compared as (
    select
        month,
        infusion_id,
        care_area,
        [
            list_position(every_us, part_us),
            list_position(every_us, rest_us),
            list_position(every_us, whole_us),
            list_position(every_us, alarm_us),
            list_position(every_us, lost_us),
            list_position(every_us, change_us),
            list_position(every_us, stopped_us)
        ] as alike
    from listed
),

by_infusion as (
    select
        month,
        infusion_id,
        list(care_area order by care_area) as care_areas,
        list(alike order by care_area) as alike
    from compared
    group by month, infusion_id
)

select
    month,
    care_areas,
    alike,
    count(*) as infusions
from by_infusion
group by month, care_areas, alike
