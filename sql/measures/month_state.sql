-- title: Whether each month is over for the pumps in service at its end
-- grain: month
-- note: the newest month that anything was heard in, and the one before it, can be provisional
with latest as (
    select
        last_at,
        row_number() over (order by last_at desc, pump_id) as place,
        count(*) over () as pumps
    from pump_last_heard
),

-- not the very last instant: a few clocks that stand years ahead must not end every month
newest as (
    select
        coalesce(
            -- on a small site not even one of them
            max(case when l.last_at < i.ingested_at + interval 366 day then l.last_at end),
            max(l.last_at)
        ) as last_at
    from latest as l
    cross join measure_settings as t
    cross join (select max(ingested_at) as ingested_at from ingests) as i
    where l.place > floor(l.pumps * t.late_share)
),

expected as (
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
    where not exists (select 1 from pumps_in_service)
)

select
    m.month,
    cast(count(b.pump_id) as bigint) as in_service,
    cast(sum(case when h.last_at >= m.ends_at then 1 else 0 end) as bigint) as heard_after,
    bool_or(coalesce(n.last_at < m.next_ends_at, true)) as can_be_provisional
from site_months as m
cross join newest as n
left join base as b
    on m.month = b.month
left join pump_last_heard as h
    on b.pump_id = h.pump_id
group by m.month
