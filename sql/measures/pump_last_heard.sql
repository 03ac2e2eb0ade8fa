-- title: When each pump was heard for the last time
-- grain: pump
-- note: what lies more than a year after the newest ingest comes from a clock that stands far ahead; it counts only
-- where there is nothing else
select
    e.pump_id,
    coalesce(
        max(case when e.occurred_at < i.ingested_at + interval 366 day then e.occurred_at end),
        max(e.occurred_at)
    ) as last_at
from events as e
cross join (select max(ingested_at) as ingested_at from ingests) as i
group by e.pump_id
