-- title: The event that starts each infusion
-- grain: one infusion
-- why: an infusion is named by the event that starts it; what the whole pump did gets the channel added (ruling 37)
select
    facility, pump_id, channel, lane, ordinal, place, at_us, start_kind, is_linked, ambiguous, source_name, use_context,
    case when own or channel = '' then event_id else event_id || ':' || channel end as infusion_id,
    programme.use as library_use,
    programme.entry as entry,
    programme.concentration.value as concentration_value,
    programme.concentration.unit as concentration_unit,
    programme.fluid as fluid_source,
    on_channel.care_area as care_area,
    on_channel.library_version as library_version,
    on_channel.patient_key as patient_key,
    on_channel.pump_type as pump_type
from lane_turns
where is_new
