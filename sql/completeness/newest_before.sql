-- title: The newest event of each pump that earlier ingests had brought
-- grain: pump, ingest that brought something of it
-- note: what lies after the commit comes from a clock that runs ahead, and makes nothing late
with brought as (
    select
        e.source_name as source,
        e.pump_id,
        e.ingest_id,
        max(case when e.occurred_at <= i.ingested_at + interval 1 day then e.occurred_at end) as newest_at
    from events as e
    inner join (
        select
            ingest_id,
            max(ingested_at) as ingested_at
        from ingests
        group by ingest_id
    ) as i
        on e.ingest_id = i.ingest_id
    group by e.source_name, e.pump_id, e.ingest_id
)

select
    source,
    pump_id,
    ingest_id,
    max(newest_at) over (
        partition by source, pump_id
        order by ingest_id
        rows between unbounded preceding and 1 preceding
    ) as newest_before_at
from brought
