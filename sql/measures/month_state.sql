-- title: Whether each month is over for the pumps in service at its end
-- grain: month
-- note: the newest month that anything was heard in, and the one before it, can be provisional
with expected as (
    select
        month,
        pump_id
    from pumps_in_service
    where at_end
),

seen_in_month as (
    select distinct
        month,
        pump_id
    from pump_months
),

-- without pumps.csv nobody says which pumps are in service: those heard in the month stand in
base as (
    select
        month,
        pump_id
    from expected
    union all
    select
        month,
        pump_id
    from seen_in_month
    where not (select pumps_listed from measure_settings)
)

select
    m.month,
    cast(count(b.pump_id) as bigint) as in_service,
    cast(sum(case when h.last_at >= m.ends_at then 1 else 0 end) as bigint) as heard_after,
    bool_or(coalesce(n.last_at < m.next_ends_at, true)) as can_be_provisional
from site_months as m
cross join newest_heard as n
left join base as b
    on m.month = b.month
left join pump_last_heard as h
    on b.pump_id = h.pump_id
group by m.month
