-- title: The log of each lane: what a channel infuses itself, and beside it what it infuses as a secondary
-- grain: one event, gap, step back of the clock or start of the other lane, on one lane
-- order: place
-- why: a secondary is its own infusion while its primary is suspended (ruling 19), so each has a log of its own
with valued as (
    select l.*, v.* exclude (channel_no, place, channel_place), v.fluid_of_event = 'secondary' as is_secondary
    from channel_log as l
    inner join channel_values as v on l.channel_place = v.channel_place
),

both_lanes as (
    select distinct channel_no
    from channel_values
    where fluid_of_event = 'secondary'
),

laned as (
    select *, case when is_secondary then 1 else 0 end as lane, true as mine
    from valued
    union all
    select *, case when is_secondary then 0 else 1 end as lane, false as mine
    from valued
    where
        channel_no in (select channel_no from both_lanes)
        and (
            not own or power_cleared or patient_turned or is_start
            or kind = 'totals_cleared' or (kind = 'infusion_stopped' and not coalesce(stops_delivery, false))
            or has_doubt
            or kind = 'library_bypassed'
        )
),

signed as (
    select
        2 * channel_no + lane as lane_no,
        lane,
        -- one number a row of all lanes, rising with the order inside each
        (2 * channel_no + lane) * 68719476736 + 4 * place as place,
        at_us, at_us as reached_us, unsure_links, event_id, kind,
        case
            when kind in ('powered_off', 'power_lost') then 'off'
            when kind = 'powered_on' then 'on'
            when kind = 'totals_cleared' then 'cleared'
            -- the log says that it is an alarm that stopped it, so it is no end of the infusion (ruling 18)
            when kind = 'infusion_stopped' and coalesce(stops_delivery, false) then 'alarm_stop'
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
        own, mine, mine and proves as proves, patient_turned, ambiguous, has_doubt, in_force_kind,
        source_name, library_use, entry, entry_key, concentration_value, concentration_unit, rate_ml_h, dose_value,
        dose_unit, volume_to_infuse_ml, initiator, bolus_adds_to_basal, volume_delivered_ml, volume_scope, use_context,
        fluid, care_area_here, weight_here, bsa_here, library_version_here, patient_here, pump_type_here,
        changes_values
    from laned
)

select * exclude (changes_values)
from signed
where
    sign <> 'value' or changes_values or proves or patient_turned or has_doubt or volume_delivered_ml is not null
    or kind in ('weight_changed', 'library_bypassed')
union all by name
select
    2 * g.channel_no + l.lane as lane_no,
    l.lane,
    (2 * g.channel_no + l.lane) * 68719476736
    + 4 * g.place - case g.sign when 'bridged' then 3 when 'gap' then 2 else 1 end as place,
    g.at_us, g.reached_us, g.unsure_links,
    g.sign as kind, g.sign,
    false as own, false as mine, false as proves, false as patient_turned, false as ambiguous,
    false as has_doubt, false as in_force_kind,
    g.fluid, g.care_area_here, g.weight_here, g.bsa_here, g.library_version_here, g.patient_here, g.pump_type_here
from channel_breaks as g
inner join (
    select channel_no, 0 as lane from pump_channels
    union all
    select channel_no, 1 as lane from both_lanes
) as l on g.channel_no = l.channel_no
order by place
