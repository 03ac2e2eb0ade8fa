-- title: The channels of each pump, with a number of their own
-- grain: one channel
-- why: what the whole pump does applies to each of them; a pump that names none has one, the empty name
with named as (
    select distinct pump_no, channel
    from infusion_log
    where channel <> ''
    union all
    select pump_no, '' as channel
    from infusion_log
    group by pump_no
    having count(case when channel <> '' then 1 end) = 0
)

select
    n.pump_no, n.channel, p.facility, p.pump_id,
    row_number() over (order by n.pump_no, n.channel) as channel_no
from named as n
inner join pumps_read as p on n.pump_no = p.pump_no
