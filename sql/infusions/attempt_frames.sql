-- title: Begin and end of each attempt
-- grain: one attempt
-- needs: attempt_sessions
-- why: its first alert names it, its last row or the one after it ends it
with firsts as (
    select l.*, m.ran_before
    from attempt_log as l
    left join watch_moments as m
        on l.watch_no = m.watch_no and l.at_us = m.at_us
    where l.place = l.first_place
),

lasts as (
    select
        l.*,
        case l.ending when 'timed_out' then l.active_us when 'power_or_patient' then l.next_us else l.at_us end
            as end_us
    from attempt_log as l
    where l.place = l.last_place
),

summed as (
    select
        watch_no, session,
        count(case when counts then 1 end) as alerts,
        max(case when counts then place end) as last_alert_place,
        arg_max(at_us, place) filter (where counts) as last_alert_us,
        coalesce(bool_or(limit_kind = 'soft'), false) as met_soft,
        coalesce(bool_or(limit_kind = 'hard'), false) as met_hard,
        arg_max(at_us, place) filter (where is_decision_kind) as decision_us,
        arg_max(decision, place) filter (where decision is not null) as last_decision
    from attempt_rows
    group by watch_no, session
),

named as (
    select watch_no, session, arg_max(entry, place) as entry
    from attempt_log
    where
        mine and entry is not null
        and kind in (
            'limit_alerted', 'limit_overridden', 'reprogrammed_within_limits', 'attempt_cancelled', 'library_bypassed',
            'key_pressed',
            'care_area_selected',
            'weight_changed',
            'infusion_started',
            'infusion_resumed',
            'rate_changed',
            'programme_changed', 'bolus_started', 'infusion_paused', 'infusion_stopped'
        )
    group by watch_no, session
)

select
    f.watch_no, f.session, f.row_id as attempt_id, f.source_name, f.use_context, f.place as first_place,
    f.at_us as first_us, s.last_alert_place, s.last_alert_us, s.alerts, s.met_soft, s.met_hard, s.last_decision,
    case when coalesce(f.ran_before, false) then 'change' else 'start' end as phase,
    coalesce(f.care_area, case when f.channel = '' then f.care_area_of_pump else f.was.care_area end) as care_area,
    coalesce(n.entry, f.was.entry) as entry,
    coalesce(f.entry, f.was.entry) as entry_at_first,
    l.place as end_place, l.line as end_line, l.ending, l.end_us, l.row_id as end_row_id, l.kind as end_kind,
    coalesce(s.decision_us, case when l.ending <> 'timed_out' then l.end_us end) as decided_us,
    case when l.ending in ('timed_out', 'power_or_patient') then l.now else l.was end as values_before,
    l.now as values_after,
    l.ending = 'confirmed' as is_confirmed,
    l.is_new_value, l.was_completed, l.begins_infusion is not null as begins_infusion,
    l.rate_ml_h is not null or l.dose_value is not null or l.volume_to_infuse_ml is not null
    or l.programmed_duration_s is not null or l.kind in ('infusion_started', 'infusion_resumed') as names_any,
    case l.ending when 'timed_out' then m.ran_after else m.ran_before end as ran,
    case l.ending when 'timed_out' then m.infusion_after else m.infusion_before end as infusion_then,
    coalesce(l.begins_infusion, m.infusion_after, m.infusion_before) as infusion_confirmed,
    coalesce(m.ran_after and coalesce(m.use_after, '') <> 'bypassed', false) as runs_in_library
from firsts as f
inner join lasts as l
    on f.watch_no = l.watch_no and f.session = l.session
inner join summed as s
    on f.watch_no = s.watch_no and f.session = s.session
left join named as n
    on f.watch_no = n.watch_no and f.session = n.session
left join watch_moments as m
    on l.watch_no = m.watch_no and l.end_us = m.at_us
