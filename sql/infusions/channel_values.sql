-- title: The values that hold for a channel whatever it infuses
-- grain: one event on one channel
-- order: channel_place
-- why: null means not logged, so the last value holds (ruling 13); power-off clears weight and care area
with told as (
    select
        channel_no, place, channel_place, own, kind, patient_key, care_area, fluid_source, volume_delivered_ml,
        volume_scope, running_logged, stops_delivery, is_start, power_cleared, library_version, pump_type,
        coalesce(lag(channel_no) over () <> channel_no, true) as is_first,
        case when in_force_kind then weight_kg end as weight_told,
        case when in_force_kind then bsa_m2 end as bsa_told,
        case when in_force_kind then library_version end as version_told,
        case when is_start then fluid_source end as fluid_at_start,
        case when in_force_kind then fluid_source end as fluid_told,
        own and volume_delivered_ml is not null as reads_volume
    from channel_log
),

held as (
    select
        *,
        arg_max_null(patient_key, channel_place)
        filter (where is_first or kind = 'patient_changed' or patient_key is not null)
            over so_far
            as patient_here,
        arg_max_null(care_area, channel_place) filter (where is_first or power_cleared or care_area is not null)
            over so_far
            as care_area_here,
        arg_max_null(weight_told, channel_place) filter (where is_first or power_cleared or weight_told is not null)
            over so_far
            as weight_here,
        arg_max_null(bsa_told, channel_place) filter (where is_first or power_cleared or bsa_told is not null)
            over so_far
            as bsa_here,
        arg_max_null(version_told, channel_place) filter (where is_first or version_told is not null) over so_far
            as library_version_here,
        arg_max_null(pump_type, channel_place) filter (where is_first or pump_type is not null) over so_far
            as pump_type_here,
        arg_max_null(fluid_at_start, channel_place) filter (where is_first or fluid_at_start is not null) over so_far
            as fluid_started,
        arg_max_null(fluid_told, channel_place) filter (where is_first or fluid_told is not null) over so_far
            as fluid_named,
        arg_max_null(case when reads_volume then volume_delivered_ml end, channel_place)
        filter (where is_first or reads_volume)
            over so_far
            as reading,
        max(channel_place) filter (where reads_volume) over so_far as reading_place,
        max(channel_place) filter (where kind = 'totals_cleared') over so_far as cleared_place,
        max(channel_place) filter (where is_start) over so_far as started_place
    from told
    window so_far as (rows between unbounded preceding and current row)
),

befores as (
    select
        *,
        case when not is_first then lag(patient_here) over () end as patient_before,
        case when not is_first then lag(reading) over () end as reading_before,
        -- below all places of the channel: what was last seen there was seen on another one
        channel_no * 68719476736 as floor_place,
        greatest(lag(reading_place) over (), channel_no * 68719476736) as reading_place_before,
        greatest(lag(cleared_place) over (), channel_no * 68719476736) as cleared_place_before
    from held
),

valued as (
    select
        channel_no, place, channel_place, is_first, care_area_here, weight_here, bsa_here, library_version_here,
        patient_here, pump_type_here,
        coalesce(fluid_started, fluid_named, 'primary') as fluid,
        coalesce(fluid_source, fluid_started, fluid_named, 'primary') as fluid_of_event,
        kind = 'patient_changed' or coalesce(patient_key <> patient_before, false) as patient_turned,
        coalesce(
            own and case
                -- a counter of its own infusion begins at zero; one that went down over a start was set to zero
                when volume_scope in ('infusion', 'segment')
                    then
                        volume_delivered_ml
                        > case
                            when greatest(started_place, floor_place) = floor_place and reading_before is null then null
                            when volume_delivered_ml < reading_before and started_place > reading_place_before then 0
                            else coalesce(reading_before, 0)
                        end
                when volume_scope = 'since_cleared'
                    then
                        volume_delivered_ml
                        > case when cleared_place_before > reading_place_before then 0 else reading_before end
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
    from befores
),

compared as (
    select
        *,
        lag(care_area_here) over () as care_area_before,
        lag(weight_here) over () as weight_before,
        lag(bsa_here) over () as bsa_before,
        lag(library_version_here) over () as library_version_before,
        lag(patient_here) over () as patient_before,
        lag(fluid) over () as fluid_before
    from valued
)

select
    * exclude (
        is_first, care_area_before, weight_before, bsa_before, library_version_before, patient_before, fluid_before
    ),
    -- rows at which nothing that holds changes need not be looked at again
    coalesce(
        care_area_here is distinct from care_area_before
        or weight_here is distinct from weight_before
        or bsa_here is distinct from bsa_before
        or library_version_here is distinct from library_version_before
        or patient_here is distinct from patient_before
        or fluid is distinct from fluid_before
        or is_first,
        true
    ) as changes_values
from compared
