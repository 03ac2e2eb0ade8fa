-- title: What each channel saw, as far as warnings, programmes and alarms need it
-- grain: one event on one channel; what the whole pump did stands on each, and on the empty channel of the pump itself
-- order: watch_place
-- why: narrow, because every later pass reads it; the rest of an event is looked up by pump and place
with spread as (
    select e.*, c.watch_no, true as own, e.belongs_to = c.channel as belongs_here
    from watch_events as e
    inner join watch_channels as c on e.pump_no = c.pump_no and e.channel_logged = c.channel
    union all
    select e.*, c.watch_no, false as own, e.belongs_to = c.channel as belongs_here
    from watch_events as e
    inner join watch_channels as c on e.pump_no = c.pump_no
    where e.channel_logged = '' and c.channel <> ''
)

select
    watch_no, pump_no, place, own, at_us, kind, decision, is_alert, is_decision, confirms, is_by_user, switched_off,
    stops, patient_key,
    -- one number a row of all channels, rising with the order inside each
    watch_no * 68719476736 + place as watch_place,
    channel_logged = '' as is_of_pump,
    case when is_alert or is_decision then belongs_here else true end as mine
from spread
order by watch_place
