-- title: Attempts of the time that is looked at, with what lists and counts ask of them
-- grain: one attempt in clinical or unknown use
-- note: no clock time leaves this relation but `first_alert_at`: pages show date and eight-hour shift. Times the limit
-- are compared to six digits (ruling 48); `override_place` numbers the overrides of one in-library infusion
with told as (
    select
        a.*,
        s.zone,
        a.first_alert_at >= s.begins_at as in_span,
        timezone(s.zone, a.first_alert_at) as local_at,
        case when i.library_use in ('limited', 'no_limit_entry') then i.infusion_id end as library_infusion_id,
        cast(printf('%.5e', a.limit_multiple) as double) as times_limit,
        e.time_resolution_s,
        e.source_file_sha256,
        e.source_record,
        c.source_name is not null or w.pump_id is not null as can_log
    from attempts as a
    inner join library_span as s
        on a.first_alert_at < s.ends_at
    left join infusions as i
        on a.infusion_id = i.infusion_id
    left join events as e
        on split_part(a.attempt_id, ':', 1) = e.event_id
    left join warning_sources as c
        on a.source_name = c.source_name
    left join warning_pumps as w
        on a.facility = w.facility and a.pump_id = w.pump_id
    where coalesce(a.use_context, 'unknown') not in ('maintenance', 'training')
)

select
    attempt_id, infusion_id, library_infusion_id, facility, pump_id, channel, first_alert_at, last_alert_at, in_span,
    can_log,
    coalesce(care_area, 'none selected') as care_area,
    coalesce(entry, '') as entry,
    phase, alerts, met_soft, met_hard, limit_side, limit_quantity, limit_value, limit_unit, entered_first,
    entered_final, times_limit, change_factor, outcome, reversed, source_file_sha256, source_record,
    outcome = 'overridden' as is_override,
    outcome <> 'unknown' as is_known,
    coalesce(library_infusion_id, infusion_id, attempt_id) as cluster,
    strftime(local_at, '%Y-%m') as month,
    cast(local_at as date) as happened_on,
    case
        when extract(hour from local_at) < 8 then '00-08'
        when extract(hour from local_at) < 16 then '08-16'
        else '16-24'
    end as shift,
    -- null: the log does not tell it to the second
    case
        when time_resolution_s <= 1 and decided_at >= last_alert_at
            then epoch_us(decided_at) - epoch_us(last_alert_at)
    end as decision_us,
    case
        when outcome = 'overridden' and library_infusion_id is not null
            then row_number() over (
                partition by library_infusion_id, outcome
                order by first_alert_at, attempt_id
            )
    end as override_place
from told
