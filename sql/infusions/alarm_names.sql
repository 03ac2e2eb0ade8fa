-- title: How each row about alarms names the alarm that it speaks of
-- grain: one row about an alarm of a source that can log clearing
-- needs: alarm_marks
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

channel_ids as (
    select distinct pump_no, alarm_id
    from named
    where sounds and channel <> '' and alarm_id is not null
),

channel_kinds as (
    select distinct pump_no, kind_named
    from named
    where sounds and channel <> ''
),

reaching as (
    select
        n.*,
        n.reaches and (i.alarm_id is not null or k.kind_named is not null) as may_reach
    from named as n
    left join channel_ids as i on n.pump_no = i.pump_no and n.alarm_id = i.alarm_id
    left join channel_kinds as k on n.pump_no = k.pump_no and n.alarm_kind = k.kind_named
)

select
    * exclude (ids_sound, kinds_sound, may_reach),
    case
        when kind = 'alarm_silenced' and names_none then false
        when names_none and not raises then true
        when alarm_id is null then ids_sound or may_reach
        else (kinds_sound and not sounds) or may_reach
    end as asks
from reaching
