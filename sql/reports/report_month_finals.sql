-- title: When each month could first be called final
-- grain: month
-- note: at the first ingest after which enough pumps in service had been heard after its end
with pumps as (
    select
        month,
        pump_id
    from pumps_in_service
    where at_end
    union all
    select distinct
        month,
        pump_id
    from pump_months
    where not (select pumps_listed from measure_settings)
),

ingest_times as (
    select
        ingest_id,
        max(ingested_at) as ingested_at
    from ingests
    group by ingest_id
),

heard as (
    select
        p.month,
        p.pump_id,
        min(g.ingested_at) as heard_at
    from pumps as p
    inner join site_months as m
        on p.month = m.month
    inner join events as e
        on p.pump_id = e.pump_id and m.ends_at <= e.occurred_at
    inner join ingest_times as g
        on e.ingest_id = g.ingest_id
    group by p.month, p.pump_id
),

counted as (
    select
        h.month,
        h.heard_at,
        cast(count(*) over (
            partition by h.month
            order by h.heard_at
            range between unbounded preceding and current row
        ) as bigint) as heard
    from heard as h
),

in_service as (
    select
        month,
        cast(count(*) as bigint) as pumps
    from pumps
    group by month
)

select
    c.month,
    min(c.heard_at) as final_at
from counted as c
inner join in_service as s
    on c.month = s.month
cross join measure_settings as t
where c.heard >= (1 - t.late_share) * s.pumps
group by c.month
