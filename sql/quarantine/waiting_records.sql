-- title: Records that wait, with every reason
-- grain: one record that cannot be read as events
with paths as (
    select
        source_file_sha256,
        min(path) as path
    from ingests
    group by source_file_sha256
)

select
    quarantined.source_name,
    paths.path,
    quarantined.source_record,
    quarantined.reasons,
    quarantined.explanation,
    quarantined.pump_id,
    quarantined.device_time,
    quarantined.byte_offset,
    quarantined.byte_length,
    quarantined.fields_json,
    quarantined.source_file_sha256
from quarantined
left join paths on quarantined.source_file_sha256 = paths.source_file_sha256
order by paths.path, quarantined.source_file_sha256, quarantined.source_record
