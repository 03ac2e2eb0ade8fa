-- title: What came in after its month could first be called final
-- grain: month, ingest, file
with ingest_times as (
    select
        ingest_id,
        max(ingested_at) as ingested_at
    from ingests
    group by ingest_id
),

named as (
    select
        ingest_id,
        source_file_sha256,
        min(path) as path
    from ingests
    group by ingest_id, source_file_sha256
)

select
    f.month,
    f.final_at,
    g.ingested_at,
    i.path,
    e.source_file_sha256,
    cast(count(*) as bigint) as events
from report_month_finals as f
inner join site_months as m
    on f.month = m.month
inner join events as e
    on m.begins_at <= e.occurred_at and m.ends_at > e.occurred_at
inner join ingest_times as g
    on e.ingest_id = g.ingest_id and f.final_at < g.ingested_at
left join named as i
    on e.ingest_id = i.ingest_id and e.source_file_sha256 = i.source_file_sha256
group by f.month, f.final_at, g.ingested_at, i.path, e.source_file_sha256
order by f.month, g.ingested_at, i.path, e.source_file_sha256
