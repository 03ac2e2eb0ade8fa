-- title: Every event at its place in the order of its pump
-- grain: one event
-- order: pump_place
-- why: the order is that of the rebuilding of infusions
select
    l.* exclude (sequence, record_place, device_time, occurred_us, file_rank, tie_rank),
    o.place, o.at_us,
    -- what was tried or ordered is not in force
    l.kind not in (
        'limit_alerted', 'limit_overridden', 'reprogrammed_within_limits', 'attempt_cancelled', 'order_received',
        'order_accepted', 'order_rejected', 'library_received'
    ) as may_hold,
    -- one number a row of all pumps, rising with the order inside each
    l.pump_no * 68719476736 + o.place as pump_place
from infusion_log as l
inner join pump_places as o on l.event_id = o.event_id
order by pump_place
