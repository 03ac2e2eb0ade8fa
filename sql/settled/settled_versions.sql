-- title: Library versions, and since when each was seen on any pump
-- grain: library version
select
    library_version,
    min(first_at) as first_at
from library_sights
group by library_version
