-- title: How many of the chosen infusions began inside and outside the library, and how long they ran
-- grain: one month and library use
select
    month,
    library_use,
    count(*) as infusions,
    cast(sum(cast(running_hours as decimal(28, 9))) as decimal(28, 9)) as running_hours,
    count(*) filter (where attempts > 0) as with_limit_alert,
    count(*) filter (where uncertain) as uncertain
from explored_infusions
where use_context in ('clinical', 'unknown')
group by month, library_use
order by month, library_use
