-- title: The infusions behind the figures, with date and eight-hour shift
-- grain: one infusion that began or ran in the month
-- note: no clock time: area, day and minute would name the nurse on duty
with ran as (
    select
        infusion_id,
        month,
        cast(sum(elapsed_us) as bigint) as elapsed_us
    from running_stretches
    group by infusion_id, month
),

concerned as (
    select
        coalesce(s.infusion_id, r.infusion_id) as infusion_id,
        coalesce(s.month, r.month) as month,
        coalesce(r.elapsed_us, 0) as elapsed_us,
        coalesce(s.counts_as, 'began_earlier') as counts_as
    from starts as s
    full join ran as r
        on s.infusion_id = r.infusion_id and s.month = r.month
)

select
    c.month,
    c.infusion_id,
    cast(timezone(t.zone, i.started_at) as date) as started_on,
    h.shift,
    i.pump_id,
    coalesce(i.pump_type, 'unknown') as pump_type,
    coalesce(i.care_area, 'none selected') as care_area,
    i.entry,
    coalesce(i.library_use, 'unknown') as library_use,
    i.library_version,
    i.start_kind,
    c.counts_as,
    case when p.protected = 1 then 'yes' when p.protected = 0 then 'no' else 'not known' end as protected,
    coalesce(i.use_context, 'unknown') as use_context,
    coalesce(i.uncertain, false) as uncertain,
    coalesce(i.false_start, false) as false_start,
    cast(round(c.elapsed_us / 3600000000.0, 4) as decimal(18, 4)) as running_hours_in_month,
    i.volume_ml,
    i.amount,
    i.amount_unit
from concerned as c
inner join infusions as i
    on c.infusion_id = i.infusion_id
cross join measure_settings as t
inner join day_shifts as h
    on extract(hour from timezone(t.zone, i.started_at)) = h.hour_of_day
left join infusion_protection as p
    on c.infusion_id = p.infusion_id
order by c.month, started_on, shift, c.infusion_id
