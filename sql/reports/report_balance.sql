-- title: The ledger balance by source, over everything that was ever read
-- grain: source
select
    coalesce(source_name, 'unknown') as source,
    cast(count(distinct source_file_sha256) as bigint) as files,
    cast(sum(rows_read) as bigint) as rows_read,
    cast(sum(events_kept) as bigint) as events_kept,
    cast(sum(duplicates) as bigint) as duplicates,
    cast(sum(quarantined) as bigint) as quarantined,
    cast(sum(rows_ignored) as bigint) as rows_ignored
from ingests
group by coalesce(source_name, 'unknown')
