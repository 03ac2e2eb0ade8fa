-- title: The values that hold for a channel whatever it infuses
-- grain: one event on one channel
-- why: null means not logged, so the last value holds (ruling 13); power-off clears weight and care area
with held as (
    select
        channel_no, place, own, kind, patient_key, fluid_source, volume_delivered_ml, volume_scope, running_logged,
        stops_delivery,
        arg_max(
            case when kind = 'patient_changed' or patient_key is not null then {'v': patient_key} end,
            place
        ) over before as patient_before,
        arg_max(
            case when kind = 'patient_changed' or patient_key is not null then {'v': patient_key} end,
            place
        ) over here as patient_here,
        arg_max(case when power_cleared or care_area is not null then {'v': care_area} end, place)
            over here as care_area_here,
        arg_max(
            case
                when power_cleared or (in_force_kind and weight_kg is not null)
                    then {'v': case when in_force_kind then weight_kg end}
            end,
            place
        ) over here as weight_here,
        arg_max(
            case
                when power_cleared or (in_force_kind and bsa_m2 is not null)
                    then {'v': case when in_force_kind then bsa_m2 end}
            end,
            place
        ) over here as bsa_here,
        arg_max(case when in_force_kind then library_version end, place) over here as library_version,
        arg_max(pump_type, place) over here as pump_type,
        arg_max(case when is_start then fluid_source end, place) over here as fluid_started,
        arg_max(case when in_force_kind then fluid_source end, place) over here as fluid_named,
        arg_max(
            case when own and volume_delivered_ml is not null then {'v': volume_delivered_ml, 'place': place} end,
            place
        ) over before as reading_before,
        arg_max(case when kind = 'totals_cleared' then place end, place) over before as cleared_place,
        arg_max(case when is_start then place end, place) over here as started_place
    from channel_log
    window
        here as (partition by channel_no order by place rows between unbounded preceding and current row),
        before as (partition by channel_no order by place rows between unbounded preceding and 1 preceding)
),

valued as (
    select
        channel_no, place,
        care_area_here.v as care_area_here,
        weight_here.v as weight_here,
        bsa_here.v as bsa_here,
        library_version as library_version_here,
        patient_here.v as patient_here,
        pump_type as pump_type_here,
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
)

select
    *,
    -- rows at which nothing that holds changes need not be looked at again
    coalesce(
        care_area_here is distinct from lag(care_area_here) over in_channel
        or weight_here is distinct from lag(weight_here) over in_channel
        or bsa_here is distinct from lag(bsa_here) over in_channel
        or library_version_here is distinct from lag(library_version_here) over in_channel
        or patient_here is distinct from lag(patient_here) over in_channel
        or fluid is distinct from lag(fluid) over in_channel,
        true
    ) as changes_values
from valued
window in_channel as (partition by channel_no order by place)
