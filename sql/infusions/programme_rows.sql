-- title: What each row of a channel may tell of its programme
-- grain: one event on one channel
-- order: watch_place
-- why: an event, the infusion that it begins and the line that it is of, side by side
with on_secondary as (
    select w.watch_no, v.place
    from channel_values as v
    inner join pump_channels as p on v.channel_no = p.channel_no
    inner join watch_channels as w on p.pump_no = w.pump_no and p.channel = w.channel
    where v.fluid_of_event = 'secondary'
),

starts as (
    select c.watch_no, i.infusion_id, i.start_kind, i.library_use, i.started_at
    from infusions as i
    inner join watch_channels as c
        on i.facility = c.facility and i.pump_id = c.pump_id and i.channel = c.channel
)

select
    w.watch_no, w.place, w.watch_place,
    case when s.place is null then 0 else 1 end as line, e.kind, e.switched_off, e.may_hold,
    e.care_area, e.weight_kg, e.library_use, e.entry, e.concentration_value, e.concentration_unit, e.rate_ml_h,
    e.dose_value, e.dose_unit, e.volume_to_infuse_ml, e.programmed_duration_s,
    u.place is not null as keeps_use,
    i.infusion_id as begins_infusion,
    i.start_kind as begins_as,
    i.library_use as begins_under,
    epoch_us(i.started_at) as begins_us,
    w.kind = 'library_bypassed' and e.rate_ml_h is not null
    and coalesce(m.state_before in ('running', 'bolus'), false) as bypasses_now,
    d.dimension || ' ' || d.per_kg || ' ' || d.per_m2 || ' ' || (d.per_time_s is null) as dose_shape,
    d.factor / coalesce(d.per_time_s, 1.0) as dose_factor
from watch_log as w
inner join watch_events as e on w.pump_no = e.pump_no and w.place = e.place
inner join watch_channels as c on w.watch_no = c.watch_no
left join on_secondary as s on w.watch_no = s.watch_no and w.place = s.place
left join starts as i
    on
        w.watch_no = i.watch_no
        and case when w.own then e.event_id else e.event_id || ':' || c.channel end = i.infusion_id
left join uses_kept as u on w.watch_no = u.watch_no and w.place = u.place
left join watch_moments as m
    on w.watch_no = m.watch_no and w.at_us = m.at_us and w.kind = 'library_bypassed'
left join units as d on e.dose_unit = d.code and d.per_volume_ml is null
order by watch_place
