-- title: How each row about alarms names the alarm that it speaks of
-- grain: one row about an alarm of a source that can log clearing
-- why: most rows name theirs by themselves; what a row leaves open depends on what is open then, and is asked apart
with named as (
    select
        watch_no, pump_no, place, at_us, kind, alarm_id, alarm_kind, kind_named, sounds, channel,
        cast(power_session as bigint) as power_session,
        next_off.place as off_place,
        least(next_patient_us, case when infusion_end_us >= at_us then infusion_end_us end) as over_us,
        kind = 'alarm_raised' as raises,
        alarm_id is null and alarm_kind is null as names_none,
        -- a row of the whole pump, other than a raise, can mean an alarm of a channel
        channel = '' and kind <> 'alarm_raised' as reaches,
        case when alarm_id is null then 'kind: ' || kind_named else 'id: ' || alarm_id end as own_thread,
        max(case when sounds and alarm_id is not null then 1 else 0 end) over on_channel = 1 as ids_sound,
        max(case when sounds and alarm_id is null then 1 else 0 end) over on_channel = 1 as kinds_sound
    from alarm_marks
    where can_clear
    window on_channel as (partition by watch_no)
),

reached as (
    select distinct p.pump_no, p.place
    from named as p
    inner join named as c on p.pump_no = c.pump_no
    where
        p.reaches and c.sounds and c.channel <> ''
        and (p.alarm_id = c.alarm_id or p.alarm_kind = c.kind_named)
)

select
    n.* exclude (ids_sound, kinds_sound),
    case
        when n.kind = 'alarm_silenced' and n.names_none then false
        when n.names_none and not n.raises then true
        when n.alarm_id is null then n.ids_sound or r.place is not null
        else (n.kinds_sound and not n.sounds) or r.place is not null
    end as asks
from named as n
left join reached as r on n.pump_no = r.pump_no and n.place = r.place
