-- title: What kind of pump each pump is
-- grain: pump
select
    pump_id,
    max(pump_type) as pump_type
from infusions
group by pump_id
