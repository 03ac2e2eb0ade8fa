-- title: The quantities that an attempt was warned about, each with its unit
-- grain: one quantity of one attempt ('' where the alert names none)
-- needs: attempt_sessions
-- why: all values of one quantity are compared in one unit, that of the limit that holds
with units_told as (
    select watch_no, session, quantity, limit_unit, 0 as rank, place
    from attempt_limits
    union all
    select watch_no, session, quantity, limit_unit, 1 as rank, place
    from attempt_rows
)

select
    watch_no, session, quantity,
    max(case when rank = 1 then place end) as last_row_place,
    arg_min(limit_unit, {'rank': rank, 'place': place}) filter (where limit_unit is not null) as unit
from units_told
group by watch_no, session, quantity
