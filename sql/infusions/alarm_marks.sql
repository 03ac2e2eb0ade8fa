-- title: What is logged about alarms, with what could end one
-- grain: one row that raises, updates, silences or clears an alarm, on its channel
-- why: power-off, a patient change and the end of the infusion end an alarm that is never cleared (ruling 12)
with marked as (
    select
        watch_no, pump_no, place, at_us, kind, own,
        sum(case when switched_off then 1 else 0 end) over (
            partition by watch_no order by place rows between unbounded preceding and current row
        ) as power_session,
        arg_min(case when switched_off then {'place': place, 'at_us': at_us} end, place)
            over later
            as next_off,
        arg_min(case when patient_turned then at_us end, place) over later as next_patient_us
    from watch_log
    where
        switched_off or patient_turned
        or kind in ('alarm_raised', 'alarm_updated', 'alarm_silenced', 'alarm_cleared')
    window later as (
        partition by watch_no order by place rows between 1 following and unbounded following
    )
),

known as (
    select
        w.*, c.channel, e.event_id, e.source_name, e.alarm_id, e.alarm_kind, e.alarm_priority, e.use_context,
        coalesce(e.alarm_kind, 'other') as kind_named,
        coalesce(e.stops_delivery, case when e.alarm_kind = 'low_battery' then false end) as stops_delivery,
        coalesce(e.care_area, case when c.channel = '' then e.care_area_of_pump else v.now.care_area end) as care_area,
        coalesce(m.infusion_before, m.infusion_after) as infusion_id,
        m.ran_before
    from marked as w
    inner join watch_channels as c on w.watch_no = c.watch_no
    inner join watch_events as e on w.pump_no = e.pump_no and w.place = e.place
    inner join programme_values as v on w.watch_no = v.watch_no and w.place = v.place
    left join watch_moments as m on w.watch_no = m.watch_no and w.at_us = m.at_us
    where
        w.kind in ('alarm_raised', 'alarm_updated', 'alarm_silenced', 'alarm_cleared')
        and coalesce(e.alarm_kind, 'other') <> 'limit_alert'
),

effects as (
    select
        *,
        -- an alarm of the whole pump stops whichever channel runs
        max(case when ran_before then 1 else 0 end) over (partition by pump_no, place) = 1 as any_ran,
        max(case when ran_before is null then 1 else 0 end) over (partition by pump_no, place) = 1 as any_unsure
    from known
),

sources as (
    select source_name, max(case when kind in ('alarm_cleared', 'all') then 1 else 0 end) = 1 as can_clear
    from source_records
    group by source_name
),

ends as (
    select c.watch_no, i.infusion_id, epoch_us(i.ended_at) as infusion_end_us
    from infusions as i
    inner join watch_channels as c
        on i.facility = c.facility and i.pump_id = c.pump_id and i.channel = c.channel
)

select
    e.* exclude (own, ran_before, any_ran, any_unsure, stops_delivery),
    e.kind in ('alarm_raised', 'alarm_updated') as sounds,
    coalesce(s.can_clear, true) or e.kind in ('alarm_cleared', 'alarm_silenced') as can_clear,
    i.infusion_end_us,
    case
        when not e.stops_delivery or not (e.any_ran or e.any_unsure) then false
        when e.stops_delivery and e.any_ran then true
    end as stopped_delivery
from effects as e
left join sources as s on e.source_name = s.source_name
left join ends as i
    on e.watch_no = i.watch_no and e.infusion_id = i.infusion_id
where e.own
