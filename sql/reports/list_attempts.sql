-- title: Attempts of the month that met a limit, what became of each, and what it counts as
-- grain: one attempt
select
    a.care_area,
    m.happened_on,
    m.shift,
    a.entry,
    a.high_alert,
    a.phase,
    a.limit_side,
    a.limit_quantity,
    a.entered_first,
    a.entered_final,
    a.limit_value,
    a.limit_unit,
    a.limit_multiple,
    a.met_soft,
    a.met_hard,
    a.outcome,
    coalesce(a.reversed, false) as reversed,
    case
        when a.met_unknown or (a.met_soft and not a.can_log) then 'left out'
        when a.met_soft then a.outcome
        else ''
    end as outcomes_soft,
    case
        when a.hard_unknown or (a.met_hard and not a.can_log) then 'left out'
        when a.met_hard then a.outcome
        else ''
    end as outcomes_hard,
    case
        when a.met_unknown then 'left out'
        when not a.met_soft then ''
        when not a.can_log or a.outcome = 'unknown' then 'left out'
        when a.outcome = 'overridden' then 'counted'
        else 'not counted'
    end as override_share,
    case
        when not a.can_log or a.outcome = 'unknown' then 'left out'
        when a.outcome = 'left_library' then 'counted'
        else 'not counted'
    end as left_library_share,
    case
        when a.outcome <> 'overridden' then ''
        when not a.can_log_overrides or a.override_multiple is null then 'left out'
        when a.override_multiple >= 2 then 'counted'
        else 'not counted'
    end as far_overrides,
    case when a.override_multiple >= 5 then 'yes' else 'no' end as at_5x,
    case when a.override_multiple >= 10 then 'yes' else 'no' end as at_10x,
    case
        when a.infusion_met_unknown or coalesce(a.use_unknown_place = 1, false) then 'left out'
        when coalesce(a.soft_place <> 1, true) then ''
        when not a.can_log then 'left out'
        when a.infusion_overridden then 'counted'
        else 'not counted'
    end as infusion_override_share,
    case
        when
            a.outcome = 'overridden'
            and (a.use_unknown_place is not null or (a.met_unknown and a.library_infusion_id is not null))
            then 'left out'
        when a.override_place is null then ''
        when not a.can_log then 'left out'
        when a.override_place > 1 then 'counted'
        else 'not counted'
    end as override_repeat_share,
    case
        when a.outcome <> 'overridden' then ''
        when not a.can_log or a.decision_us is null then 'left out'
        when a.decision_us <= 3000000 then 'counted'
        else 'not counted'
    end as override_under_3s_share,
    a.pump_id,
    a.source,
    m.source_file,
    m.source_file_sha256,
    m.source_record,
    a.attempt_id as id,
    m.local_time
from limit_attempts as a
inner join report_month as w
    on a.month = w.month
inner join list_moments as m
    on m.list = 'attempts' and a.attempt_id = m.id
order by a.care_area, m.happened_on, m.shift, a.attempt_id
