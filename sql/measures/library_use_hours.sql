-- title: Library use by running time, infusion by infusion: the interval is clustered by infusion
-- grain: infusion, month, care area, entry, pump type, high-alert flag, source
select
    infusion_id,
    month,
    care_area,
    entry,
    pump_type,
    high_alert,
    source,
    cast(
        sum(case when can_log and library_use in ('limited', 'no_limit_entry') then elapsed_us else 0 end) as bigint
    ) as part_us,
    cast(sum(case when can_log and library_use <> 'unknown' then elapsed_us else 0 end) as bigint) as whole_us,
    cast(sum(case when can_log and library_use = 'unknown' then elapsed_us else 0 end) as bigint)
        as left_out_unknown_us,
    cast(sum(case when can_log then 0 else elapsed_us end) as bigint) as left_out_unable_us
from running_stretches
where use_context not in ('maintenance', 'training')
group by infusion_id, month, care_area, entry, pump_type, high_alert, source
