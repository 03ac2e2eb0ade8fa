-- title: What each channel saw
-- grain: one event on one channel; what the whole pump did stands on each of its channels
-- order: channel_place
-- why: an order to read each channel by, and what an event means that needs no other event to be known
with spread as (
    select c.channel_no, true as own, l.*
    from infusion_log as l
    inner join pump_channels as c on l.pump_no = c.pump_no and l.channel = c.channel
    union all
    select c.channel_no, false as own, l.*
    from infusion_log as l
    inner join pump_channels as c on l.pump_no = c.pump_no
    where l.channel = '' and c.channel <> ''
)

select
    s.* exclude (sequence, record_place, device_time, occurred_us, file_rank, tie_rank, channel),
    p.place, p.at_us, p.unsure_links,
    -- one number a row of all channels, rising with the order inside each
    s.channel_no * 68719476736 + p.place as channel_place,
    s.kind in ('powered_off', 'power_lost', 'powered_on') as power_cleared,
    s.kind in ('infusion_started', 'infusion_resumed') as is_start,
    -- values of an attempt, an order or a key are not in force
    s.kind not in (
        'limit_alerted', 'limit_overridden', 'reprogrammed_within_limits', 'attempt_cancelled', 'order_received',
        'order_accepted', 'order_rejected', 'key_pressed', 'library_received', 'demand_requested', 'demand_refused',
        'other'
    ) as in_force_kind
from spread as s
inner join pump_places as p on s.event_id = p.event_id
order by channel_place
