-- title: Events that were kept and flagged as implausible, with the value, the date and the eight-hour shift
-- grain: one check that one event fails
-- note: no clock time: area, day and minute would name the nurse on duty
with flagged as (
    select
        *,
        unnest(implausible) as check_name
    from events
    where len(implausible) > 0
)

select
    m.month,
    cast(timezone(t.zone, f.occurred_at) as date) as happened_on,
    h.shift,
    f.pump_id,
    f.channel,
    coalesce(f.care_area, 'none selected') as care_area,
    f.kind,
    f.check_name,
    coalesce(c.words, f.check_name) as words,
    case f.check_name
        when 'weight_over_500_kg' then f.weight_kg
        when 'weight_under_0_2_kg' then f.weight_kg
        when 'body_surface_odd' then f.bsa_m2
        when 'rate_over_2000_ml_h' then case when f.rate_ml_h > 2000 then f.rate_ml_h else f.previous_rate_ml_h end
        when 'rate_negative' then case when f.rate_ml_h < 0 then f.rate_ml_h else f.previous_rate_ml_h end
        when 'dose_negative'
            then case
                when f.dose_value < 0 then f.dose_value
                when f.previous_dose_value < 0 then f.previous_dose_value
                else f.bolus_dose_value
            end
        when 'concentration_not_positive' then f.concentration_value
        when 'volume_to_infuse_odd' then f.volume_to_infuse_ml
        when 'volume_delivered_odd' then f.volume_delivered_ml
        when 'duration_odd' then f.programmed_duration_s
        when 'syringe_odd' then f.syringe_size_ml
        when 'far_from_limit' then f.entered_value
        when 'rate_hundredfold' then f.rate_ml_h
        when 'received_before_event' then round((epoch_us(f.occurred_at) - epoch_us(f.received_at)) / 86400000000.0, 1)
        when 'received_long_after_event'
            then round((epoch_us(f.received_at) - epoch_us(f.occurred_at)) / 86400000000.0, 1)
    end as value,
    case f.check_name
        when 'far_from_limit' then f.limit_value
        when 'rate_hundredfold' then f.previous_rate_ml_h
    end as compared_with,
    case
        when f.check_name like 'weight%' then 'kg'
        when f.check_name = 'body_surface_odd' then 'm2'
        when f.check_name like 'rate%' then 'mL/h'
        when f.check_name = 'dose_negative' then f.dose_unit
        when f.check_name = 'concentration_not_positive' then f.concentration_unit
        when f.check_name like 'volume%' or f.check_name = 'syringe_odd' then 'mL'
        when f.check_name = 'duration_odd' then 's'
        when f.check_name = 'far_from_limit' then f.limit_unit
        when f.check_name like 'received%' then 'd'
    end as unit,
    f.source_name as source,
    f.event_id
from flagged as f
inner join site_months as m
    on f.occurred_at >= m.begins_at and f.occurred_at < m.ends_at
cross join measure_settings as t
inner join day_shifts as h
    on extract(hour from timezone(t.zone, f.occurred_at)) = h.hour_of_day
left join implausible_checks as c
    on f.check_name = c.check_name
order by m.month, happened_on, shift, f.pump_id, f.channel, f.check_name, f.event_id
