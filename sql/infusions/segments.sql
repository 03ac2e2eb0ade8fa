-- title: Segments
-- grain: one stretch of one channel in which state and programme do not change
-- why: the table that hours, millilitres and timelines are read from
select
    i.infusion_id,
    a.facility,
    a.pump_id,
    a.channel,
    make_timestamptz(a.from_us) as started_at,
    make_timestamptz(a.to_us) as ended_at,
    a.state,
    a.rate_ml_h,
    a.volume_ml,
    a.amount,
    a.amount_unit,
    a.on_channel.care_area as care_area,
    a.programme.entry as entry,
    a.programme.use as library_use,
    a.on_channel.library_version as library_version,
    a.on_channel.weight_kg as weight_kg,
    a.programme.concentration.value as concentration_value,
    a.programme.concentration.unit as concentration_unit,
    a.programme.dose.value as dose_value,
    a.programme.dose.unit as dose_unit,
    a.programme.fluid as fluid_source,
    a.on_channel.patient_key as patient_key,
    strftime(make_timestamp(a.from_us), '%Y-%m') as month
from segment_amounts as a
inner join infusion_starts as i
    on a.facility = i.facility and a.pump_id = i.pump_id and a.channel = i.channel and a.lane = i.lane
    and a.ordinal = i.ordinal
