-- title: What the rebuilding of infusions needs of each event
-- grain: one event
-- why: narrow once, so that every later pass sorts few columns; times are exact microseconds
select
    p.pump_no,
    e.channel,
    e.event_id,
    e.kind,
    k.tie_rank,
    case when e.sequence_reliable then e.sequence end as sequence,
    e.record_place,
    e.device_time,
    epoch_us(e.occurred_at) as occurred_us,
    e.file_rank,
    e.time_quality = 'ambiguous' as ambiguous,
    -- a label nobody filed, a clock that was never set, a rate that cannot be
    len(e.unmapped) > 0 or list_has_any(e.implausible, ['clock_at_its_origin', 'rate_negative']) as has_doubt,
    e.source_name,
    e.pump_type,
    e.care_area,
    e.library_version,
    e.library_use,
    e.entry,
    case when e.entry = 'unmapped' then 'unmapped: ' || coalesce(e.entry_logged, '') else e.entry end as entry_key,
    e.concentration_value,
    e.concentration_unit,
    e.rate_ml_h,
    e.dose_value,
    e.dose_unit,
    e.volume_to_infuse_ml,
    e.weight_kg,
    e.bsa_m2,
    e.delivery_mode,
    e.fluid_source,
    e.initiator,
    e.running_logged,
    e.bolus_adds_to_basal,
    e.alarm_kind,
    e.stops_delivery,
    e.volume_delivered_ml,
    e.volume_scope,
    e.patient_key,
    e.use_context
from events as e
inner join pumps_read as p on e.facility = p.facility and e.pump_id = p.pump_id
left join kind_order as k on e.kind = k.kind
