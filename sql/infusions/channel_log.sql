-- title: What each channel saw, with the values that hold for the channel whatever it infuses
-- grain: one event on one channel; what the whole pump did stands on each of its channels
-- why: null means not logged, so the last value holds (ruling 13); power-off clears weight and care area
with spread as (
    select p.* exclude (channel), c.channel, p.channel = c.channel as own
    from pump_log as p
    inner join pump_channels as c
        on p.facility = c.facility and p.pump_id = c.pump_id and p.channel = c.channel
    union all
    select p.* exclude (channel), c.channel, false as own
    from pump_log as p
    inner join pump_channels as c
        on p.facility = c.facility and p.pump_id = c.pump_id
    where p.channel = '' and c.channel <> ''
),

told as (
    select
        *,
        kind in ('powered_off', 'power_lost', 'powered_on') as power_cleared,
        kind in ('infusion_started', 'infusion_resumed') as is_start,
        -- values of an attempt, an order or a key are not in force; a stop tells nothing about the next start
        kind not in (
            'limit_alerted', 'limit_overridden', 'reprogrammed_within_limits', 'attempt_cancelled',
            'order_received', 'order_accepted', 'order_rejected', 'key_pressed', 'library_received',
            'demand_requested', 'demand_refused', 'other'
        ) as in_force_kind
    from spread
),

held as (
    select
        *,
        last_value(
            case when kind = 'patient_changed' or patient_key is not null then {'v': patient_key} end
            ignore nulls
        ) over up_to_before as patient_before,
        last_value(
            case when kind = 'patient_changed' or patient_key is not null then {'v': patient_key} end
            ignore nulls
        ) over up_to_here as patient_here,
        last_value(case when power_cleared or care_area is not null then {'v': care_area} end ignore nulls)
            over up_to_here as care_area_here,
        last_value(
            case
                when power_cleared or (in_force_kind and weight_kg is not null)
                    then {'v': case when in_force_kind then weight_kg end}
            end ignore nulls
        ) over up_to_here as weight_here,
        last_value(
            case
                when power_cleared or (in_force_kind and bsa_m2 is not null)
                    then {'v': case when in_force_kind then bsa_m2 end}
            end ignore nulls
        ) over up_to_here as bsa_here,
        last_value(case when in_force_kind then library_version end ignore nulls) over up_to_here as version_here,
        last_value(pump_type ignore nulls) over up_to_here as pump_type_here,
        last_value(case when is_start then fluid_source end ignore nulls) over up_to_here as fluid_started,
        last_value(case when in_force_kind then fluid_source end ignore nulls) over up_to_here as fluid_named,
        last_value(
            case when own and volume_delivered_ml is not null then {'v': volume_delivered_ml, 'place': place} end
            ignore nulls
        ) over up_to_before as reading_before,
        max(case when kind = 'totals_cleared' then place end) over up_to_before as cleared_place,
        max(case when is_start then place end) over up_to_here as started_place
    from told
    window
        up_to_here as (
            partition by facility, pump_id, channel order by place
            rows between unbounded preceding and current row
        ),
        up_to_before as (
            partition by facility, pump_id, channel order by place
            rows between unbounded preceding and 1 preceding
        )
)

select
    facility, pump_id, channel, place, at_us, unsure_links, event_id, kind, own, is_start, in_force_kind, power_cleared,
    ambiguous, has_unmapped, source_name, library_use, entry, entry_key,
    concentration_value, concentration_unit, rate_ml_h, dose_value, dose_unit, volume_to_infuse_ml, delivery_mode,
    fluid_source, initiator, running_logged, bolus_adds_to_basal, alarm_kind, stops_delivery,
    volume_delivered_ml, volume_scope, use_context,
    care_area_here.v as care_area,
    weight_here.v as weight_kg,
    bsa_here.v as bsa_m2,
    version_here as library_version,
    patient_here.v as patient_key,
    pump_type_here as pump_type,
    coalesce(fluid_started, fluid_named, 'primary') as fluid,
    coalesce(fluid_source, fluid_started, fluid_named, 'primary') as fluid_of_event,
    kind = 'patient_changed' or coalesce(patient_key <> patient_before.v, false) as patient_turned,
    coalesce(
        own and case
            -- a counter of its own infusion begins at zero; one that went down over a start was set to zero
            when volume_scope in ('infusion', 'segment')
                then
                    volume_delivered_ml
                    > case
                        when started_place is null and reading_before is null then null
                        when
                            volume_delivered_ml < reading_before.v
                            and started_place > reading_before.place
                            then 0
                        else coalesce(reading_before.v, 0)
                    end
            when volume_scope = 'since_cleared'
                then
                    volume_delivered_ml
                    > case when cleared_place > coalesce(reading_before.place, -1) then 0 else reading_before.v end
        end,
        false
    ) as volume_grew,
    -- never another channel, a key, or what the whole pump does (ruling 2)
    own
    and (
        kind in (
            'infusion_started', 'infusion_resumed', 'dose_cycle_started', 'dose_cycle_ended', 'rate_changed',
            'programme_changed', 'bolus_started', 'bolus_ended', 'infusion_paused', 'infusion_completed',
            'infusion_stopped', 'kvo_started'
        )
        or volume_grew
        or coalesce(running_logged, false)
        or (kind in ('alarm_raised', 'alarm_updated', 'fault_logged') and coalesce(stops_delivery, false))
    ) as proves
from held
