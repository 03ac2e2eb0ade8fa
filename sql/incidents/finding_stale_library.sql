-- title: Starts on a drug library although a newer release had been available for long
-- grain: one infusion
with published as (
    select library_version, min(library_published_at) as published_at
    from libraries
    where library_published_at is not null
    group by library_version
),

overdue as (
    select
        i.infusion_id,
        min(n.published_at) as newer_at,
        min_by(n.library_version, {'at': epoch_us(n.published_at), 'v': n.library_version}) as newer
    from infusions as i
    inner join published as p on i.library_version = p.library_version
    inner join published as n on p.published_at < n.published_at
    cross join trace_settings as t
    where epoch_us(i.started_at) - epoch_us(n.published_at) > t.stale_us
    group by i.infusion_id
)

select
    i.facility, i.pump_id, i.channel,
    i.started_at as at,
    i.started_at as until_at,
    i.infusion_id, i.care_area, i.entry,
    (epoch_us(i.started_at) - epoch_us(o.newer_at)) / 86400000000.0 as size,
    cast(null as double) as before_value,
    (epoch_us(i.started_at) - epoch_us(o.newer_at)) / 86400000000.0 as after_value,
    'd' as unit,
    concat(i.library_version, ' while ', o.newer) as detail,
    [split_part(i.infusion_id, ':', 1)] as evidence
from infusions as i
inner join overdue as o on i.infusion_id = o.infusion_id
where i.start_kind not in ('missing', 'patient_change')
