-- title: Events in the one order that the rest relies on, with the number that the pump logged before each
-- grain: one event
-- note: the order is that of the rebuilt infusions (`pump_places`), so that a timeline never contradicts them
select
    e.*,
    p.place,
    p.after_gap,
    p.after_clock_back,
    -- each time the clock is set back a new run begins: the same time may stand in two of them
    count(case when p.after_clock_back then 1 end) over (partition by p.pump_no order by p.place) as clock_run,
    lag(case when e.sequence_reliable then e.sequence end) over in_order as sequence_before,
    lag(e.occurred_at) over in_order as occurred_before,
    lag(e.event_id) over in_order as event_before,
    lag(e.source_file_sha256) over in_order as file_before,
    lag(e.source_record) over in_order as record_before
from events as e
inner join pumps_read as r on e.facility = r.facility and e.pump_id = r.pump_id
inner join pump_places as p on r.pump_no = p.pump_no and e.event_id = p.event_id
window in_order as (partition by p.pump_no order by p.place)
