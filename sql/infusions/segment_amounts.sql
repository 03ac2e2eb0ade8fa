-- title: Segments with volume and amount, each rounded once
-- grain: one segment
-- why: rounded to nine decimals once and then only summed, so that no total depends on an order
with computed as (
    select
        *,
        to_us - from_us as length_us,
        state in ('running', 'bolus', 'keep_open', 'priming') as delivers,
        case
            -- nothing flows back into the bag: what a negative rate delivered is not known
            when rate_ml_h < 0 then null
            when state in ('running', 'bolus', 'keep_open', 'priming') then rate_ml_h * (to_us - from_us) / 3.6e9
            when state = 'unknown' then null
            else 0.0
        end as volume,
        concentration_value / concentration_per_ml as per_ml
    from segment_values
)

select
    * exclude (volume, per_ml, dose_per_h, dose_amount_unit, delivers),
    cast(volume as decimal(28, 9)) as volume_ml,
    cast(
        case
            when delivers
                then coalesce(volume * per_ml, case when dose_per_h >= 0 then dose_per_h * (length_us / 3.6e9) end)
        end as decimal(28, 9)
    ) as amount,
    case
        when not delivers then null
        when volume * per_ml is not null then concentration_amount_unit
        when dose_per_h is not null then dose_amount_unit
    end as amount_unit
from computed
