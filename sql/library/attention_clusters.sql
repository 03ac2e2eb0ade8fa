-- title: Uses and limit alerts of each entry, infusion by infusion
-- grain: care area, entry, infusion (or programming without one)
-- why: alerts come in bursts, so the interval of their rate counts infusions
select
    care_area,
    entry,
    cluster,
    cast(count(*) as bigint) as uses,
    cast(sum(alerts) as bigint) as limit_alerts
from library_programmings
where can_log and entry <> ''
group by care_area, entry, cluster
order by care_area, entry, cluster
