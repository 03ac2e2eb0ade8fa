-- title: Each channel that is watched, and beside them the pump itself
-- grain: one channel; the empty name is the pump, and the only channel of a pump that names none
-- why: windows sort by one number; what belongs to no channel stands on the empty name
with named as (
    select pump_no, channel
    from infusion_log
    where channel <> ''
    union
    select pump_no, '' as channel
    from infusion_log
)

select
    n.pump_no, n.channel, p.facility, p.pump_id,
    row_number() over (order by n.pump_no, n.channel) as watch_no,
    -- a pump that names its channels programmes and delivers nothing on the empty one
    n.channel <> '' or count(*) over (partition by n.pump_no) = 1 as can_deliver
from named as n
inner join pumps_read as p on n.pump_no = p.pump_no
