-- title: What rate, dose, concentration, weight, volume, time and amount come to in the unit that is asked for
-- grain: one question of `dosing_asked`; value is null where the units do not fit or something is missing
-- why: the same arithmetic as dosing.arithmetic, set-wise, from the one table of units; [IU] never becomes mass
with read as (
    select
        q.*,
        w.dimension as to_dimension,
        w.factor / coalesce(w.per_volume_ml, 1.0) / coalesce(w.per_time_s, 1.0) as to_base,
        w.per_kg as to_per_kg,
        w.per_m2 as to_per_m2,
        w.per_volume_ml is not null as to_is_strength,
        w.per_time_s is not null as to_is_rate,
        d.dimension as dose_dimension,
        d.per_kg as dose_per_kg,
        d.per_m2 as dose_per_m2,
        q.dose_value * d.factor / d.per_time_s as dose_per_s,
        c.dimension as strength_dimension,
        q.concentration_value * c.factor / c.per_volume_ml as strength_per_ml,
        a.dimension as amount_dimension,
        case
            when a.per_time_s is null and a.per_volume_ml is null and not a.per_kg and not a.per_m2
                then q.amount_value * a.factor
        end as amount_base
    from dosing_asked as q
    inner join units as w
        on q.unit = w.code
    left join units as d
        on q.dose_unit = d.code and d.per_time_s is not null and d.per_volume_ml is null
    left join units as c
        on q.concentration_unit = c.code and c.per_volume_ml is not null
    left join units as a
        on q.amount_unit = a.code
),

-- a body of 1 where the unit asks for none; null where it asks for one that is not known or not above 0
bodied as (
    select
        *,
        case
            when dose_per_kg then case when weight_kg > 0 then weight_kg end
            when dose_per_m2 then case when bsa_m2 > 0 then bsa_m2 end
            else 1.0
        end as dose_body,
        case
            when to_per_kg then case when weight_kg > 0 then weight_kg end
            when to_per_m2 then case when bsa_m2 > 0 then bsa_m2 end
            else 1.0
        end as to_body,
        case when strength_per_ml > 0 then strength_per_ml end as strength_above_0
    from read
),

-- the flow in mL per second: as told, else from volume and time, else from the dose
flowing as (
    select
        *,
        coalesce(
            rate_ml_h / 3600.0,
            volume_ml / case when duration_s > 0 then duration_s end,
            case
                when dose_dimension = 'volume' then dose_per_s * dose_body
                when dose_dimension = strength_dimension then dose_per_s * dose_body / strength_above_0
            end
        ) as ml_per_s
    from bodied
),

-- the volume in mL: as told, else from rate and time, else from amount and concentration
filled as (
    select
        *,
        coalesce(
            volume_ml,
            ml_per_s * duration_s,
            case when amount_dimension = strength_dimension then amount_base / strength_above_0 end
        ) as ml
    from flowing
)

select
    asked_id,
    case
        when wanted = 'flow_rate' and to_dimension = 'volume' and to_is_rate and not to_is_strength
            then ml_per_s / to_body / to_base
        when wanted = 'dose_rate' and to_is_rate and not to_is_strength
            then
                coalesce(
                    case
                        when dose_dimension = to_dimension and dose_per_kg = to_per_kg and dose_per_m2 = to_per_m2
                            then dose_per_s / to_base
                        when dose_dimension = to_dimension then dose_per_s * dose_body / to_body / to_base
                    end,
                    case
                        when to_dimension = 'volume' then ml_per_s / to_body / to_base
                        when strength_dimension = to_dimension then ml_per_s * strength_per_ml / to_body / to_base
                    end
                )
        when wanted = 'concentration' and to_is_strength and not to_is_rate
            then
                case
                    when strength_dimension = to_dimension then strength_per_ml / to_base
                    when amount_dimension = to_dimension
                        then amount_base / case when volume_ml > 0 then volume_ml end / to_base
                end
        when wanted = 'amount' and not to_is_rate and not to_is_strength
            then
                case
                    when amount_dimension = to_dimension then amount_base / to_body / to_base
                    when strength_dimension = to_dimension then ml * strength_per_ml / to_body / to_base
                    when dose_dimension = to_dimension then dose_per_s * dose_body * duration_s / to_body / to_base
                end
        when wanted = 'volume' and to_dimension = 'volume' and not to_is_rate and not to_is_strength
            then ml / to_body / to_base
        when wanted = 'duration' and to_dimension = 'time'
            then coalesce(duration_s, ml / case when ml_per_s > 0 then ml_per_s end) / to_base
    end as value
from filled
