-- title: Segments
-- grain: one stretch of one channel in which state and programme do not change
-- why: the table that hours, millilitres and timelines are read from
select
    i.infusion_id,
    c.facility,
    c.pump_id,
    c.channel,
    make_timestamptz(a.from_us) as started_at,
    make_timestamptz(a.to_us) as ended_at,
    a.state,
    a.rate_ml_h,
    a.volume_ml,
    a.amount,
    a.amount_unit,
    a.care_area,
    a.entry,
    a.library_use,
    a.library_version,
    a.weight_kg,
    a.concentration_value,
    a.concentration_unit,
    a.dose_value,
    a.dose_unit,
    a.fluid_source,
    a.patient_key,
    strftime(make_timestamp(a.from_us), '%Y-%m') as month
from segment_amounts as a
inner join infusion_starts as i on a.ordinal = i.ordinal
inner join pump_channels as c on a.lane_no // 2 = c.channel_no
