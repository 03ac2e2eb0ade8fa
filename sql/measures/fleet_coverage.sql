-- title: Pumps in service, and those of them with a log for the month
-- grain: month
select
    p.month,
    cast(sum(case when h.pump_id is null then 0 else 1 end) as bigint) as numerator,
    cast(count(*) as bigint) as denominator
from pumps_in_service as p
left join (select distinct
    month,
    pump_id
from pump_months) as h
    on p.month = h.month and p.pump_id = h.pump_id
group by p.month
