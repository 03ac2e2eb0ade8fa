-- title: Every event at its place in the order of its pump
-- grain: one event
-- why: the order is that of the rebuilding of infusions
select l.* exclude (sequence, record_place, device_time, occurred_us, file_rank, tie_rank), o.place, o.at_us
from infusion_log as l
inner join pump_places as o on l.event_id = o.event_id
