-- title: The log of each lane: what a channel infuses itself, and beside it what it infuses as a secondary
-- grain: one event, gap or start of the other lane, on one lane (0: primary and all else, 1: secondary)
-- why: a secondary is its own infusion while its primary is suspended (ruling 19), so each has a log of its own
with both_lanes as (
    select distinct facility, pump_id, channel
    from channel_log
    where fluid_of_event = 'secondary'
),

laned as (
    select *, case when fluid_of_event = 'secondary' then 1 else 0 end as lane, true as mine
    from channel_log
    union all
    select c.*, case when c.fluid_of_event = 'secondary' then 0 else 1 end as lane, false as mine
    from channel_log as c
    inner join both_lanes as b on c.facility = b.facility and c.pump_id = b.pump_id and c.channel = b.channel
    where
        not c.own or c.power_cleared or c.patient_turned or c.is_start or c.kind = 'totals_cleared'
        or c.kind = 'infusion_stopped'
)

select
    facility, pump_id, channel, lane,
    4 * place as place,
    at_us, at_us as reached_us, unsure_links, event_id, kind,
    case
        when kind in ('powered_off', 'power_lost') then 'off'
        when kind = 'powered_on' then 'on'
        when kind = 'totals_cleared' then 'cleared'
        when kind = 'infusion_stopped' then 'stop'
        when not mine and is_start then 'other_lane'
        when not mine then 'value'
        when
            kind in ('infusion_started', 'infusion_resumed') and (not running_logged or delivery_mode = 'delayed')
            then 'delayed'
        when kind in ('infusion_started', 'infusion_resumed') then 'start'
        when kind = 'dose_cycle_started' then 'dose'
        when kind = 'dose_cycle_ended' then 'dose_end'
        when kind = 'rate_changed' then 'change'
        when kind = 'programme_changed' then 'programme'
        when kind = 'library_bypassed' then 'bypass'
        when kind = 'infusion_paused' then 'pause'
        when kind = 'standby_entered' then 'standby'
        when kind = 'standby_left' then 'standby_left'
        when kind = 'infusion_completed' then 'complete'
        when kind = 'kvo_started' then 'kvo'
        when kind = 'bolus_started' then 'bolus'
        when kind = 'bolus_ended' then 'bolus_end'
        when kind = 'priming_started' then 'priming'
        when kind = 'priming_ended' then 'priming_end'
        when kind = 'door_opened' and coalesce(stops_delivery, true) then 'door'
        when
            kind in ('alarm_raised', 'alarm_updated', 'fault_logged')
            and coalesce(stops_delivery, not running_logged, false)
            then 'alarm_stop'
        -- a low battery stops nothing unless the log says so (ruling 18); a limit alert is no alarm
        when
            kind = 'alarm_raised' and stops_delivery is null and running_logged is null
            and coalesce(alarm_kind, 'other') not in ('low_battery', 'limit_alert')
            then 'alarm_unclear'
        when running_logged then 'runs'
        when not running_logged then 'halts'
        else 'value'
    end as sign,
    own, mine, mine and proves as proves, patient_turned, ambiguous, has_unmapped, in_force_kind,
    source_name, library_use, entry, entry_key, concentration_value, concentration_unit, rate_ml_h, dose_value,
    dose_unit, volume_to_infuse_ml, initiator, bolus_adds_to_basal, volume_delivered_ml, volume_scope, use_context,
    fluid,
    {
        'care_area': care_area, 'weight_kg': weight_kg, 'bsa_m2': bsa_m2, 'library_version': library_version,
        'patient_key': patient_key, 'pump_type': pump_type
    } as of_channel
from laned
union all by name
select
    g.facility, g.pump_id, g.channel, l.lane,
    4 * g.place - case when g.sign = 'gap' then 2 else 1 end as place,
    g.at_us, g.reached_us, g.unsure_links,
    g.sign as kind, g.sign,
    false as own, false as mine, false as proves, false as patient_turned, false as ambiguous,
    false as has_unmapped, false as in_force_kind
from channel_gaps as g
inner join (
    select facility, pump_id, channel, 0 as lane from pump_channels
    union all
    select facility, pump_id, channel, 1 as lane from both_lanes
) as l on g.facility = l.facility and g.pump_id = l.pump_id and g.channel = l.channel
