-- title: The rate in force on a lane, logged or following from the dose
-- grain: one row of the lane's log
-- why: dose, concentration and weight give the rate where all three are known, else it is not known (ruling 51)
with based as (
    select
        h.*,
        c.amount_code as concentration_amount_unit,
        c.per_volume_ml as concentration_per_ml,
        case
            when h.concentration_here.value is not null
                then
                    coalesce(c.dimension, h.concentration_here.unit, '') || ' '
                    || printf('%.9e', h.concentration_here.value * coalesce(c.factor / c.per_volume_ml, 1.0))
        end as concentration_key,
        d.amount_code as dose_amount_unit,
        -- dose per hour for the whole patient, in the dose's own amount unit
        h.dose_here.value * 3600.0 / d.per_time_s
        * case when d.per_kg then h.dose_here.weight_kg else 1.0 end
        * case when d.per_m2 then h.dose_here.bsa_m2 else 1.0 end as dose_per_h,
        case
            when d.dimension = 'volume' then d.factor
            when d.dimension = c.dimension and h.concentration_here.value > 0
                then d.factor * c.per_volume_ml / (h.concentration_here.value * c.factor)
        end as ml_per_dose_unit
    from lane_programmes as h
    left join units as c on h.concentration_here.unit = c.code and c.per_volume_ml is not null
    left join units as d on h.dose_here.unit = d.code and d.per_time_s is not null
),

rated as (
    select
        * exclude (ml_per_dose_unit, rate_ml_h, sets_rate, tells_rate),
        arg_max(
            case
                when sets_rate or (sets_dose and dose_per_h * ml_per_dose_unit is not null)
                    then {'rate': coalesce(rate_ml_h, dose_per_h * ml_per_dose_unit)}
            end,
            place
        ) over (
            partition by lane_no order by place
            rows between unbounded preceding and current row
        ).rate as rate_ml_h
    from based
)

select
    * exclude (sets_dose),
    arg_max(case when sets_dose then {'rate': rate_ml_h} end, place) over (
        partition by lane_no order by place
        rows between unbounded preceding and current row
    ).rate as rate_at_dose
from rated
