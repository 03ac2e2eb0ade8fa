-- title: Each recorded value beside each row of the proposed library that it may fall under, as a question of dosing
-- grain: one recorded value and one row
-- why: a concentration or weight that is not known rules no row out; if the rows then disagree, the value is unclear
with strengths as (
    select
        p.*,
        c.dimension as strength_dimension,
        cast(printf('%.5e', p.concentration_value * c.factor / c.per_volume_ml) as double) as strength,
        u.factor as time_factor
    from replay_points as p
    left join units as c
        on p.concentration_unit = c.code and c.per_volume_ml is not null
    left join units as u
        on p.entered_unit = u.code and u.dimension = 'time' and u.per_time_s is null
),

matched as (
    select
        p.*, r.row_no, r.limit_unit,
        w.per_time_s is not null and w.per_volume_ml is null as limit_is_rate
    from strengths as p
    inner join proposed_rows as r
        on
            p.care_area = r.care_area and p.entry = r.entry and p.limit_quantity = r.limit_quantity
            and (r.library_version is null or p.library_version = r.library_version)
            and (
                r.strength is null or p.strength is null
                or (p.strength_dimension = r.strength_dimension and p.strength = r.strength)
            )
            and (p.weight_kg is null or r.weight_min_kg is null or p.weight_kg >= r.weight_min_kg)
            and (p.weight_kg is null or r.weight_max_kg is null or p.weight_kg <= r.weight_max_kg)
    left join units as w
        on r.limit_unit = w.code
    -- of two bands that touch, the upper one has the weight that they share
    qualify
        p.weight_kg is null or (r.weight_min_kg is null and r.weight_max_kg is null)
        or coalesce(r.weight_min_kg, 0) = max(coalesce(r.weight_min_kg, 0)) over (
            partition by p.value_key, r.library_version, r.strength
        )
)

select
    row_number() over (order by value_key, row_no) as asked_id,
    value_key,
    row_no,
    case
        when limit_quantity in ('dose_rate', 'flow_rate', 'concentration', 'duration') then limit_quantity
        when limit_quantity = 'volume' and entered_value is null then limit_quantity
        when limit_quantity = 'rate_change' and limit_is_rate then 'dose_rate'
        else 'amount'
    end as wanted,
    limit_unit as unit,
    rate_ml_h,
    case
        when entered_value is null then dose_value
        when limit_quantity in ('dose_rate', 'flow_rate', 'rate_change') then entered_value
    end as dose_value,
    case when entered_value is null then dose_unit else entered_unit end as dose_unit,
    case
        when entered_value is not null and limit_quantity = 'concentration' then entered_value
        else concentration_value
    end as concentration_value,
    case
        when entered_value is not null and limit_quantity = 'concentration' then entered_unit else concentration_unit
    end as concentration_unit,
    weight_kg,
    cast(null as double) as bsa_m2,
    volume_ml,
    case
        when entered_value is not null and limit_quantity = 'duration' then entered_value * time_factor
        else duration_s
    end as duration_s,
    case
        when entered_value is not null and limit_quantity in ('volume', 'bolus_dose', 'weight', 'rate_change')
            then entered_value
        else bolus_value
    end as amount_value,
    case when entered_value is not null then entered_unit else bolus_unit end as amount_unit,
    case
        when origin = 'alert' and coalesce(entered_unit, '') = coalesce(limit_unit, '') then entered_value
    end as plain_value
from matched
