-- title: The rate in force on a lane, logged or following from the dose
-- grain: one row of the lane's log
-- order: place
-- why: dose, concentration and weight give the rate where all three are known, else it is not known (ruling 51)
with told as (
    select *, dose_per_h * ml_per_dose_unit as rate_of_dose
    from lane_programmes
),

rated as (
    select
        * exclude (rate_ml_h, rate_of_dose, ml_per_dose_unit),
        arg_max_null(
            case
                when sets_rate or (sets_dose and rate_of_dose is not null) then coalesce(rate_ml_h, rate_of_dose)
            end,
            place
        ) filter (where is_first or sets_rate or (sets_dose and rate_of_dose is not null)) over so_far as rate_ml_h
    from told
    window so_far as (rows between unbounded preceding and current row)
)

select
    * exclude (is_first, sets_dose, sets_rate),
    arg_max_null(case when sets_dose then rate_ml_h end, place) filter (where is_first or sets_dose) over so_far
        as rate_at_dose
from rated
window so_far as (rows between unbounded preceding and current row)
