-- title: Attempts of the months, with what measures and lists ask of them
-- grain: one attempt in one of the months, in clinical or unknown use
-- note: `met_unknown`: whether it was a soft or a hard limit is not known; `hard_unknown`: whether it met a hard one.
-- `soft_place` numbers the soft-limit attempts of one infusion inside the library, `override_place` its soft overrides,
-- over all months; `use_unknown_place` those of an infusion of unknown library use. Times the limit are compared to six
-- digits, as values are with limits (ruling 48)
with linked as (
    select
        a.*,
        not a.met_soft and not a.met_hard as met_unknown,
        case when i.library_use in ('limited', 'no_limit_entry') then i.infusion_id end as library_infusion_id,
        case when coalesce(i.library_use, 'unknown') = 'unknown' then i.infusion_id end as unknown_infusion_id
    from attempts as a
    left join infusions as i
        on a.infusion_id = i.infusion_id
    where coalesce(a.use_context, 'unknown') not in ('maintenance', 'training')
),

placed as (
    select
        *,
        case
            when met_soft and library_infusion_id is not null
                then row_number() over (
                    partition by library_infusion_id, met_soft
                    order by first_alert_at, attempt_id
                )
        end as soft_place,
        case
            when met_soft and outcome = 'overridden' and library_infusion_id is not null
                then row_number() over (
                    partition by library_infusion_id, met_soft, outcome
                    order by first_alert_at, attempt_id
                )
        end as override_place,
        max(case when met_soft and outcome = 'overridden' then 1 else 0 end) over (
            partition by coalesce(library_infusion_id, attempt_id)
        ) = 1 as infusion_overridden,
        case
            when met_unknown and library_infusion_id is not null
                then row_number() over (
                    partition by library_infusion_id, met_unknown
                    order by first_alert_at, attempt_id
                )
        end as unknown_place,
        case
            when met_soft and unknown_infusion_id is not null
                then row_number() over (
                    partition by unknown_infusion_id, met_soft
                    order by first_alert_at, attempt_id
                )
        end as use_unknown_place,
        bool_or(met_soft) over (partition by coalesce(library_infusion_id, attempt_id)) as infusion_met_soft,
        case when outcome = 'overridden' then cast(printf('%.5e', limit_multiple) as double) end as override_multiple
    from linked
)

select
    p.attempt_id,
    m.month,
    coalesce(p.care_area, 'none selected') as care_area,
    coalesce(p.entry, '') as entry,
    coalesce(k.pump_type, 'unknown') as pump_type,
    case when f.entry is null then 'unknown' when f.high_alert then 'yes' else 'no' end as high_alert,
    coalesce(g.log, p.source_name, 'unknown') as source,
    p.pump_id,
    p.channel,
    p.library_infusion_id,
    p.first_alert_at,
    p.met_soft,
    p.met_hard,
    p.met_unknown,
    not p.met_hard and (p.met_unknown or u.source is not null) as hard_unknown,
    p.outcome,
    p.reversed,
    p.phase,
    p.limit_side,
    p.limit_quantity,
    p.limit_value,
    p.limit_unit,
    p.entered_first,
    p.entered_final,
    p.limit_multiple,
    p.override_multiple,
    p.soft_place,
    p.use_unknown_place,
    p.override_place,
    p.infusion_overridden,
    coalesce(p.unknown_place = 1, false) and not p.infusion_met_soft as infusion_met_unknown,
    -- null: the log does not tell it to the second
    case
        when t.time_resolution_s <= 1 and p.decided_at >= p.last_alert_at
            then epoch_us(p.decided_at) - epoch_us(p.last_alert_at)
    end as decision_us,
    c.source_name is not null as can_log,
    d.source_name is not null as can_log_overrides
from placed as p
inner join site_months as m
    on p.first_alert_at >= m.begins_at and p.first_alert_at < m.ends_at
left join pump_logs as g
    on p.pump_id = g.pump_id and p.source_name = g.source_name and m.month = g.month
left join plain_alerts as t
    on p.pump_id = t.pump_id and p.last_alert_at = t.occurred_at
left join pump_kinds as k
    on p.pump_id = k.pump_id
left join entry_flags as f
    on p.entry = f.entry
left join untold_limit_kinds as u
    on coalesce(g.log, p.source_name, 'unknown') = u.source and m.month = u.month and u.limit_kind = 'hard'
left join able_sources as c
    on coalesce(g.log, p.source_name) = c.source_name and c.measure = 'override_share'
left join able_sources as d
    on coalesce(g.log, p.source_name) = d.source_name and d.measure = 'far_overrides'
