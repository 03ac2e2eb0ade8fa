-- title: Suspected slips: what was entered first and what was confirmed stand in a telling ratio
-- grain: one attempt and one ratio; no clock time
-- why: 10 and 1000 are a decimal point and a prefix, 60 and 24 minutes, hours and days; within 2 % of either way round
with ratios as (
    select cast(10 as double) as ratio, 'ten times: a decimal point' as suspicion
    union all
    select cast(1000 as double) as ratio, 'a thousand times: a prefix such as mg for ug' as suspicion
    union all
    select cast(60 as double) as ratio, 'sixty times: per minute for per hour' as suspicion
    union all
    select cast(24 as double) as ratio, 'twenty-four times: per hour for per day' as suspicion
),

factors as (
    select
        *,
        case when change_factor >= 1 then change_factor else 1 / change_factor end as factor
    from library_attempts
    where in_span and change_factor > 0
)

select
    r.suspicion,
    r.ratio,
    f.factor,
    cast(printf('%.5e', f.factor / r.ratio) as double) between 0.98 and 1.02 as is_match,
    f.change_factor,
    f.attempt_id as case_id,
    f.happened_on,
    f.shift,
    f.care_area,
    f.entry,
    f.limit_quantity,
    f.entered_first,
    f.entered_final,
    f.limit_unit,
    f.outcome,
    f.pump_id,
    f.channel
from factors as f
inner join ratios as r
    -- the neighbourhood that tells how many matches chance would give
    on f.factor >= r.ratio / 1.25 and f.factor <= r.ratio * 1.25
order by r.ratio, f.happened_on, f.shift, f.care_area, f.entry, f.attempt_id
