-- title: What warnings, programmes and alarms need of each event
-- grain: one event
-- why: with the columns of limits and alarms, and what an event means for the whole pump
with more as (
    select
        event_id, programmed_duration_s, bolus_dose_value, limit_kind, limit_side, limit_quantity, limit_value,
        entered_value, limit_unit, alert_id, decision_logged, alarm_id, alarm_priority
    from events
    where
        programmed_duration_s is not null or bolus_dose_value is not null or limit_kind is not null
        or limit_side is not null or limit_quantity is not null or limit_value is not null or entered_value is not null
        or limit_unit is not null or alert_id is not null or decision_logged is not null or alarm_id is not null
        or alarm_priority is not null
),

begun as (
    select distinct split_part(infusion_id, ':', 1) as event_id
    from infusions
),

told as (
    select
        *,
        coalesce(lag(pump_no) over () <> pump_no, true) as is_first,
        lag(kind) over () as kind_before
    from watch_rows
),

powered as (
    select
        * exclude (kind_before),
        -- switching on while on is a power-off, at an unknown moment (ruling 25)
        kind in ('powered_off', 'power_lost')
        or (kind = 'powered_on' and not is_first and kind_before not in ('powered_off', 'power_lost')) as switched_off
    from told
),

placed as (
    select
        * exclude (is_first),
        arg_max_null(case when may_hold then care_area end, pump_place)
        filter (where is_first or switched_off or (may_hold and care_area is not null))
            over (rows between unbounded preceding and current row)
            as care_area_of_pump
    from powered
),

-- a stop that the next start continues is a pause (ruling 20), as is one half of a change without a gap
following as (
    select
        p.event_id,
        arg_min(
            case
                when p.kind in ('infusion_started', 'infusion_resumed') and coalesce(p.initiator, 'user') <> 'pump'
                    then {'at_us': p.at_us, 'begins': b.event_id is not null}
            end,
            p.place
        ) over (
            partition by p.pump_no, p.channel order by p.place
            rows between 1 following and unbounded following
        ) as next_start
    from watch_rows as p
    left join begun as b on p.event_id = b.event_id
    where p.kind in ('infusion_started', 'infusion_resumed', 'infusion_stopped')
),

known as (
    select
        p.pump_no, p.channel as channel_logged, p.place, p.at_us, p.event_id, p.kind, p.source_name,
        p.care_area, p.library_use, p.entry, p.concentration_value, p.concentration_unit, p.rate_ml_h, p.dose_value,
        p.dose_unit, p.volume_to_infuse_ml, p.weight_kg, p.alarm_kind, p.stops_delivery, p.patient_key, p.use_context,
        p.may_hold, p.switched_off, p.care_area_of_pump,
        m.* exclude (event_id),
        coalesce(s.is_alert, false) as is_alert,
        coalesce(s.is_decision, false) as is_decision,
        coalesce(s.confirms, false) as confirms,
        s.belongs_to,
        coalesce(p.initiator, 'user') <> 'pump' as is_by_user,
        case
            when p.kind = 'limit_overridden' then 'overridden'
            when p.kind = 'reprogrammed_within_limits' then 'within_limits'
            when p.kind = 'attempt_cancelled' then 'cancelled'
            when p.kind = 'library_bypassed' then 'left_library'
            when p.kind = 'limit_alerted' then nullif(m.decision_logged, 'unmapped')
        end as decision,
        p.kind in ('limit_overridden', 'reprogrammed_within_limits', 'attempt_cancelled', 'library_bypassed')
            as is_decision_kind,
        p.kind = 'infusion_stopped' and coalesce(p.initiator, 'user') <> 'pump'
        and not coalesce(p.stops_delivery, false)
        and coalesce(
            f.next_start.at_us - p.at_us
            > case when f.next_start.begins then round(t.no_gap_s * 1e6) else 600000000 end,
            true
        ) as stops
    from placed as p
    cross join settings as t
    left join more as m on p.event_id = m.event_id
    left join limit_signs as s on p.event_id = s.event_id
    left join following as f on p.event_id = f.event_id
)

select *
from known
where
    -- what says nothing about programmes, warnings, power or alarms
    kind not in (
        'power_source_changed', 'communication_lost', 'communication_restored', 'volume_reported', 'settings_changed',
        'totals_cleared', 'clock_set', 'demand_requested', 'demand_given', 'demand_refused', 'order_received',
        'order_accepted', 'order_rejected', 'library_received', 'library_installed', 'door_opened', 'door_closed',
        'set_or_syringe_loaded', 'fault_logged', 'other'
    )
    or care_area is not null or weight_kg is not null or patient_key is not null or rate_ml_h is not null
    or dose_value is not null or volume_to_infuse_ml is not null or programmed_duration_s is not null
    or concentration_value is not null or bolus_dose_value is not null
