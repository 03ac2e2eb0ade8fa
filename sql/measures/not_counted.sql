-- title: What start-based and hour-based measures leave out, counted
-- grain: month, care area, what it is
-- note: 'left midway' infusions count as starts; they are shown beside
select
    month,
    care_area,
    counts_as as what,
    cast(count(*) as bigint) as infusions,
    cast(0 as bigint) as elapsed_us
from starts
where counts_as <> 'start'
group by month, care_area, counts_as
union all
select
    month,
    care_area,
    'left_midway' as what,
    cast(count(*) as bigint) as infusions,
    cast(0 as bigint) as elapsed_us
from starts
where counts_as = 'start' and continues_infusion_id is not null and start_kind = 'left_library'
group by month, care_area
union all
select
    month,
    care_area,
    concat(use_context, '_hours') as what,
    cast(count(distinct infusion_id) as bigint) as infusions,
    cast(sum(elapsed_us) as bigint) as elapsed_us
from running_stretches
where use_context in ('maintenance', 'training')
group by month, care_area, use_context
