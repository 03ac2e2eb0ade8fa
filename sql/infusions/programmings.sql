-- title: Programmings
-- grain: a confirmed start, user change or bolus in the library, or an attempt that ended with none
-- why: what limit-alert shares are counted over; every attempt has exactly one (ruling 38)
with confirmed as (
    select
        w.watch_no, w.at_us, e.kind, e.source_name, e.use_context, e.care_area, e.entry, e.rate_ml_h, e.dose_value,
        e.dose_unit, e.volume_to_infuse_ml, e.programmed_duration_s, e.bolus_dose_value,
        case when w.own then e.event_id else e.event_id || ':' || c.channel end as row_id,
        v.begins_infusion, v.is_new_value, v.now,
        case
            when w.kind = 'bolus_started' then 'bolus'
            when
                v.begins_infusion is not null
                and (
                    w.kind in ('infusion_started', 'infusion_resumed')
                    or v.begins_as in ('start', 'entry_changed', 'concentration_changed', 'entered_library')
                )
                then 'start'
            else 'change'
        end as phase
    from watch_log as w
    inner join watch_channels as c on w.watch_no = c.watch_no
    inner join watch_events as e on w.pump_no = e.pump_no and w.place = e.place
    inner join programme_values as v on w.watch_no = v.watch_no and w.place = v.place
    where
        w.confirms
        and case
            when w.kind = 'bolus_started' then coalesce(nullif(e.library_use, 'unknown'), v.now.library_use)
            else v.now.library_use
        end in ('limited', 'no_limit_entry')
        -- a pump that names its channels programmes nothing on the empty one
        and c.can_deliver
),

linked as (
    select
        c.*, a.attempt_id,
        coalesce(c.begins_infusion, m.infusion_after, m.infusion_before) as infusion_id
    from confirmed as c
    left join attempts as a
        on
            c.watch_no = a.watch_no and c.row_id = a.end_row_id
            and a.is_confirmed and a.outcome not in ('unchanged', 'left_library')
    left join watch_moments as m
        on c.watch_no = m.watch_no and c.at_us = m.at_us
),

told as (
    select
        row_id as programming_id, infusion_id, watch_no,
        make_timestamptz(at_us) as confirmed_at,
        phase,
        coalesce(care_area, now.care_area) as care_area,
        coalesce(entry, now.entry) as entry,
        case
            when kind = 'bolus_started' and bolus_dose_value is not null then bolus_dose_value
            else coalesce(dose_value, rate_ml_h, volume_to_infuse_ml, programmed_duration_s)
        end as programmed_value,
        case
            when kind = 'bolus_started' and bolus_dose_value is not null
                then split_part(coalesce(dose_unit, now.dose.unit), '/', 1)
            when dose_value is not null then dose_unit
            when rate_ml_h is not null then 'mL/h'
            when volume_to_infuse_ml is not null then 'mL'
            when programmed_duration_s is not null then 's'
        end as programmed_unit,
        attempt_id, use_context, source_name
    from linked
    where attempt_id is not null or phase <> 'change' or begins_infusion is not null or is_new_value
    union all
    select
        a.attempt_id as programming_id, a.infusion_id, a.watch_no, a.first_alert_at as confirmed_at, a.phase,
        a.care_area,
        a.entry,
        a.entered_first as programmed_value,
        a.limit_unit as programmed_unit,
        a.attempt_id,
        a.use_context,
        a.source_name
    from attempts as a
    left join linked as l on a.watch_no = l.watch_no and a.attempt_id = l.attempt_id
    where l.attempt_id is null
)

select
    t.programming_id, t.infusion_id, c.facility, c.pump_id, c.channel,
    t.confirmed_at as at,
    t.phase, t.care_area, t.entry,
    t.programmed_value as value,
    t.programmed_unit as unit,
    t.attempt_id,
    coalesce(t.use_context, x.use_context, 'unknown') as use_context,
    t.source_name,
    strftime(make_timestamp(epoch_us(t.confirmed_at)), '%Y-%m') as month
from told as t
inner join watch_channels as c on t.watch_no = c.watch_no
left join area_contexts as x on t.care_area = x.care_area
