-- title: A weight that stayed in force when the patient changed
-- grain: the first infusion by weight after a patient change with no weight of its own
with changes as (
    select facility, pump_id, event_id, occurred_at, place
    from trace_patients
    where patient_turned
),

starts as (
    select
        s.facility, s.pump_id, s.channel, s.started_at, s.infusion_id, s.care_area, s.entry, s.weight_kg,
        max_by(
            {'at': c.occurred_at, 'id': c.event_id}, {'at': epoch_us(c.occurred_at), 'place': c.place}
        ) as changed
    from segments as s
    inner join changes as c
        on s.facility = c.facility and s.pump_id = c.pump_id and s.started_at >= c.occurred_at
    where s.state = 'running' and s.weight_kg is not null and contains(s.dose_unit, '/kg/')
    group by
        s.facility, s.pump_id, s.channel, s.started_at, s.infusion_id, s.care_area, s.entry, s.weight_kg
),

carried as (
    select
        s.*,
        max_by(w.weight_kg, {'at': epoch_us(w.occurred_at), 'id': w.event_id}) as weight_before,
        max_by(w.event_id, {'at': epoch_us(w.occurred_at), 'id': w.event_id}) as weighed_by,
        max(w.occurred_at) as weighed_at
    from starts as s
    inner join trace_weights as w
        on s.facility = w.facility and s.pump_id = w.pump_id and s.started_at >= w.occurred_at
    group by all
)

select
    facility, pump_id, channel,
    min(started_at) as at,
    min(started_at) as until_at,
    min_by(infusion_id, {'at': epoch_us(started_at), 'id': infusion_id}) as infusion_id,
    min_by(care_area, {'at': epoch_us(started_at), 'id': infusion_id}) as care_area,
    min_by(entry, {'at': epoch_us(started_at), 'id': infusion_id}) as entry,
    cast(null as double) as size,
    min_by(weight_before, {'at': epoch_us(started_at), 'id': infusion_id}) as before_value,
    min_by(weight_kg, {'at': epoch_us(started_at), 'id': infusion_id}) as after_value,
    'kg' as unit,
    '' as detail,
    [min(changed.id), min(weighed_by)] as evidence
from carried
where weighed_at < changed.at and weight_kg = weight_before
group by facility, pump_id, channel, changed.id
