-- title: Pumps in service without a log for the month, and pumps with one that are not listed
-- grain: month, pump
with heard as (
    select distinct
        month,
        pump_id
    from pump_months
)

select
    coalesce(p.month, h.month) as month,
    coalesce(p.pump_id, h.pump_id) as pump_id,
    case when h.pump_id is null then 'silent' else 'not_listed' end as what
from pumps_in_service as p
full join heard as h
    on p.month = h.month and p.pump_id = h.pump_id
where p.pump_id is null or h.pump_id is null
