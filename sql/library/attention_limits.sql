-- title: Each limit that warned: how often, what became of it, and the value that was finally used
-- grain: care area, entry, quantity, side, limit, unit
-- note: an attempt stands at one limit alone, with all of its alerts: the one that its override passed furthest, else
-- that of its first alert
-- why: most overrides settling on one same value is a limit that practice disagrees with
with attempts_here as (
    select
        *,
        cast(printf('%.5e', entered_final) as double) as final_6,
        cast(printf('%.5e', limit_value) as double) as limit_6
    from library_attempts
    where in_span and can_log
),

totals as (
    select
        care_area, entry, limit_quantity, limit_side, limit_6, limit_unit,
        count(*) as attempts,
        sum(alerts) as limit_alerts,
        count(case when met_hard then 1 end) as attempts_hard,
        count(case when met_soft and is_known then 1 end) as outcome_known,
        count(case when met_soft and is_override then 1 end) as overridden,
        count(case when outcome = 'within_limits' then 1 end) as brought_within
    from attempts_here
    group by care_area, entry, limit_quantity, limit_side, limit_6, limit_unit
),

finals as (
    select
        care_area, entry, limit_quantity, limit_side, limit_6, limit_unit, final_6,
        count(*) as settled,
        sum(count(*)) over (
            partition by care_area, entry, limit_quantity, limit_side, limit_6, limit_unit
        ) as overrides_with_value
    from attempts_here
    where is_override and final_6 is not null
    group by care_area, entry, limit_quantity, limit_side, limit_6, limit_unit, final_6
),

commonest as (
    select * from finals
    qualify
        row_number() over (
            partition by care_area, entry, limit_quantity, limit_side, limit_6, limit_unit
            order by settled desc, final_6
        ) = 1
)

select
    t.care_area,
    t.entry,
    t.limit_quantity,
    t.limit_side,
    t.limit_6 as limit_value,
    t.limit_unit,
    t.attempts,
    cast(t.limit_alerts as bigint) as limit_alerts,
    t.attempts_hard,
    t.overridden,
    t.outcome_known,
    t.brought_within,
    c.final_6 as commonest_final,
    coalesce(c.settled, 0) as overrides_at_it,
    cast(coalesce(c.overrides_with_value, 0) as bigint) as overrides_with_value
from totals as t
left join commonest as c
    on
        t.care_area = c.care_area and t.entry = c.entry
        and t.limit_quantity is not distinct from c.limit_quantity
        and t.limit_side is not distinct from c.limit_side
        and t.limit_6 is not distinct from c.limit_6
        and t.limit_unit is not distinct from c.limit_unit
order by t.care_area, t.entry, t.limit_quantity, t.limit_side, t.limit_6, t.limit_unit
