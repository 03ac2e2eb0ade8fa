-- title: Running time of each infusion in each month
-- grain: infusion, month, care area, entry, pump type, high-alert flag, source
select
    infusion_id,
    month,
    care_area,
    entry,
    pump_type,
    high_alert,
    source,
    cast(sum(elapsed_us) as bigint) as elapsed_us
from running_stretches
where use_context not in ('maintenance', 'training')
group by infusion_id, month, care_area, entry, pump_type, high_alert, source
