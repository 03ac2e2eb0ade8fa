-- title: The name by which a file was first read
-- grain: source_file_sha256
select
    source_file_sha256,
    min(path) as path
from ingests
group by source_file_sha256
