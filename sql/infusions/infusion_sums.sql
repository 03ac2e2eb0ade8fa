-- title: Hours, volumes and amounts of each infusion
-- grain: one infusion with at least one segment
-- why: sums of exact numbers only; an amount in another unit of the same kind is brought to the first one's
with valued as (
    select
        a.*,
        first_value(a.amount_unit) over (
            partition by a.lane_no, a.ordinal
            order by
                case when a.state in ('running', 'bolus') and a.amount is not null then 0 else 1 end,
                a.segment_number
        ) as unit_of_infusion
    from segment_amounts as a
),

converted as (
    select
        v.*,
        case
            when v.amount_unit = v.unit_of_infusion then v.amount
            when t.dimension = o.dimension
                then cast(cast(v.amount as double) * o.factor / t.factor as decimal(28, 9))
        end as amount_converted
    from valued as v
    left join units as o on v.amount_unit = o.code
    left join units as t on v.unit_of_infusion = t.code
)

select
    lane_no, ordinal,
    cast(coalesce(sum(case when state in ('running', 'bolus') then length_us end), 0) as bigint) as running_us,
    case
        when count(case when state in ('running', 'bolus') and volume_ml is null then 1 end) = 0
            then cast(coalesce(sum(case when state in ('running', 'bolus') then volume_ml end), 0) as decimal(28, 9))
    end as volume_ml,
    case
        when count(case when state = 'keep_open' and volume_ml is null then 1 end) = 0
            then cast(coalesce(sum(case when state = 'keep_open' then volume_ml end), 0) as decimal(28, 9))
    end as volume_keep_open_ml,
    case
        when count(case when state in ('running', 'bolus') and amount_converted is null then 1 end) = 0
            then cast(sum(case when state in ('running', 'bolus') then amount_converted end) as decimal(28, 9))
    end as amount,
    max(unit_of_infusion) as amount_unit,
    bool_or(state = 'unknown') as has_unknown
from converted
group by lane_no, ordinal
