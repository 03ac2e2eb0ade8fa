-- title: How one infusion ran: state, rate and dose, stretch by stretch
-- grain: one segment of the chosen infusion
select
    timezone(z.zone, s.started_at) as started_local,
    timezone(z.zone, s.ended_at) as ended_local,
    s.state,
    s.rate_ml_h,
    s.dose_value,
    s.dose_unit,
    cast(s.volume_ml as double) as volume_ml,
    cast(s.amount as double) as amount,
    s.amount_unit,
    s.weight_kg,
    s.library_use,
    s.library_version
from segments as s
cross join explored_zone as z
inner join chosen_infusion as c on s.infusion_id = c.infusion_id
order by s.started_at, s.ended_at, s.channel
