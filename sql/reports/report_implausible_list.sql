-- title: Implausible events for reading: alike ones of a shift in one line
-- grain: month, check, value, pump, date, shift
-- note: `place` counts inside a check, the farthest out first, so that a list cut short shows every check
with alike as (
    select
        month,
        check_name,
        words,
        value,
        compared_with,
        unit,
        pump_id,
        happened_on,
        shift,
        cast(count(*) as bigint) as events
    from report_implausible_events
    group by month, check_name, words, value, compared_with, unit, pump_id, happened_on, shift
)

select
    *,
    row_number() over (
        partition by month, check_name
        order by abs(value) desc nulls last, happened_on, shift, pump_id, value, compared_with, unit
    ) as place
from alike
