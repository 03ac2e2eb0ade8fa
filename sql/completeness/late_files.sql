-- title: Files that came late: they brought events older than what earlier ingests had brought of the same pump
-- grain: file
select
    i.path,
    i.source_file_sha256,
    i.source_name as source,
    i.ingested_at,
    cast(count(*) as bigint) as late_events,
    cast(count(distinct e.pump_id) as bigint) as pumps,
    min(e.occurred_at) as oldest_at
from events as e
inner join newest_before as n
    on e.source_name = n.source and e.pump_id = n.pump_id and e.ingest_id = n.ingest_id
inner join ingests as i
    on e.source_file_sha256 = i.source_file_sha256
where e.occurred_at < n.newest_before_at
group by i.path, i.source_file_sha256, i.source_name, i.ingested_at
