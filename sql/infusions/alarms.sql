-- title: Alarms
-- grain: one alarm condition from raised to cleared, however often it sounds
-- needs: alarm_marks
-- why: its burden, its answer, and whether it stopped a delivery (rulings 12, 39, 41)
with summed as (
    select
        watch_no, alarm_kind, can_clear, alarm_number,
        arg_min(event_id, first_place) as alarm_id,
        min(first_us) as first_us,
        arg_min(source_name, first_place) as source_name,
        arg_min({'v': care_area}, first_place).v as care_area,
        arg_min({'v': use_context}, first_place).v as use_context,
        arg_min({'v': infusion_id}, first_place).v as infusion_id,
        arg_max({'v': cleared_us}, first_place).v as cleared_us,
        arg_max(
            {'off_us': next_off.at_us, 'patient_us': raise_ends.patient_us, 'infusion_us': raise_ends.infusion_end_us},
            first_place
        ) as ends,
        max(priority_rank) as priority_rank,
        sum(raw_count) as raw_count,
        bool_or(any_stopped) as any_stopped,
        bool_or(any_unsure) as any_unsure
    from alarm_groups
    group by watch_no, alarm_kind, can_clear, alarm_number
)

select
    a.alarm_id, w.facility, w.pump_id, w.channel, a.infusion_id, a.care_area,
    make_timestamptz(a.first_us) as raised_at,
    make_timestamptz(s.silenced_us) as silenced_at,
    make_timestamptz(a.cleared_us) as cleared_at,
    -- a source that cannot log clearing tells no end, so there is no burden
    case
        when a.can_clear
            then make_timestamptz(
                coalesce(a.cleared_us, least(p.last_us, a.ends.off_us, a.ends.patient_us, a.ends.infusion_us))
            )
    end as ended_at,
    a.alarm_kind,
    case a.priority_rank when 3 then 'high' when 2 then 'medium' when 1 then 'low' when 0 then 'none' end
        as alarm_priority,
    a.raw_count,
    case when a.any_stopped then true when not a.any_unsure then false end as stopped_delivery,
    coalesce(a.use_context, c.use_context, 'unknown') as use_context,
    a.source_name,
    strftime(make_timestamp(a.first_us), '%Y-%m') as month
from summed as a
inner join watch_channels as w on a.watch_no = w.watch_no
inner join pump_ends as p on w.pump_no = p.pump_no
left join alarm_silencings as s
    on
        a.watch_no = s.watch_no and a.alarm_kind = s.alarm_kind
        and a.can_clear = s.can_clear and a.alarm_number = s.alarm_number
left join area_contexts as c on a.care_area = c.care_area
