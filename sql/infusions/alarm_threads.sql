-- title: Which condition each row about alarms speaks of
-- grain: one row about an alarm; a clearing that fits no open alarm speaks of none
-- needs: alarm_marks
-- why: by its id, else by its kind; what it leaves open is worked out in alarm_meant
select
    r.* exclude (watch_no, power_session),
    coalesce(m.watch_no, r.watch_no) as watch_no,
    coalesce(m.power_session, r.power_session) as power_session,
    r.watch_no as own_watch_no,
    case
        when not r.can_clear then 'mute: ' || r.kind_named
        when n.asks and m.thread is null and not r.sounds then null
        else coalesce(m.thread, n.own_thread)
    end as thread
from alarm_marks as r
left join alarm_names as n
    on r.pump_no = n.pump_no and r.watch_no = n.watch_no and r.place = n.place
left join alarm_meant as m
    on r.pump_no = m.pump_no and r.place = m.place
