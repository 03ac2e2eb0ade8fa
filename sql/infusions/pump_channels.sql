-- title: The channels of each pump
-- grain: one channel
-- why: what the whole pump does applies to each of them; a pump that names none has one, the empty name
select distinct facility, pump_id, channel
from infusion_log
where channel <> ''
union all
select facility, pump_id, '' as channel
from infusion_log
group by facility, pump_id
having count(case when channel <> '' then 1 end) = 0
