-- title: When each library version was first seen on a pump
-- grain: pump, library version, where it was seen: in an event or in an infusion
select
    pump_id,
    library_version,
    min(occurred_at) as first_at
from counting_events
where library_version is not null
group by pump_id, library_version
union all
select
    pump_id,
    library_version,
    min(started_at) as first_at
from infusions
where library_version is not null
group by pump_id, library_version
