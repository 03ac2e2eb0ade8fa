-- title: Until when the fleet was heard
-- grain: one row
-- note: a month that ends with the one after it by then is settled: nothing makes it provisional again but a store
-- that knows less
with latest as (
    select
        last_at,
        row_number() over (order by last_at desc, pump_id) as place,
        count(*) over () as pumps
    from pump_last_heard
)

-- not the very last instant: a few clocks that stand years ahead must not end every month
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
