-- title: What each channel saw, as far as warnings, programmes and alarms need it
-- grain: one event on one channel; what the whole pump did stands on each, and on the empty channel of the pump itself
-- why: narrow, because every later pass sorts it; the rest of an event is looked up by pump and place
with spread as (
    select e.pump_no, e.place, c.watch_no, true as own, e.belongs_to = c.channel as belongs_here
    from watch_events as e
    inner join watch_channels as c on e.pump_no = c.pump_no and e.channel_logged = c.channel
    union all
    select e.pump_no, e.place, c.watch_no, false as own, e.belongs_to = c.channel as belongs_here
    from watch_events as e
    inner join watch_channels as c on e.pump_no = c.pump_no
    where e.channel_logged = '' and c.channel <> ''
)

select
    s.watch_no, s.pump_no, s.place, s.own, e.at_us, e.kind, e.decision, e.is_alert, e.is_decision, e.confirms,
    e.is_by_user, e.switched_off, e.stops,
    e.channel_logged = '' as is_of_pump,
    case when e.is_alert or e.is_decision then s.belongs_here else true end as mine,
    e.kind = 'patient_changed'
    or coalesce(
        e.patient_key <> arg_max(
            case when e.kind = 'patient_changed' or e.patient_key is not null then {'v': e.patient_key} end,
            s.place
        ) over (
            partition by s.watch_no order by s.place rows between unbounded preceding and 1 preceding
        ).v,
        false
    ) as patient_turned
from spread as s
inner join watch_events as e on s.pump_no = e.pump_no and s.place = e.place
