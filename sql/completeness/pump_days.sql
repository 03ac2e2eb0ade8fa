-- title: The days on which each pump was heard, and how long it was silent before
-- grain: pump, local day with an event
-- note: what lies after the commit comes from a clock that runs ahead
with days as (
    select distinct
        e.pump_id,
        cast(e.occurred_at at time zone s.zone as date) as day
    from events as e
    cross join completeness_settings as s
    where e.occurred_at <= s.committed_at + interval 1 day
)

select
    pump_id,
    day,
    cast(day - lag(day) over (
        partition by pump_id
        order by day
    ) as bigint) as days_since
from days
