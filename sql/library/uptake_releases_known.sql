-- title: Releases and since when each was available
-- grain: library version
-- note: from the day that the library files state, else from its first sight on any pump
with published as (
    select library_version, min(library_published_at) as published_at
    from libraries
    group by library_version
),

seen as (
    select library_version, min(first_seen_at) as first_seen_at, count(distinct pump_id) as pumps_ever
    from library_versions
    group by library_version
)

select
    coalesce(p.library_version, s.library_version) as library_version,
    coalesce(p.published_at, s.first_seen_at) as available_at,
    p.published_at is not null as is_published,
    coalesce(s.pumps_ever, 0) as pumps_ever,
    row_number() over (
        order by coalesce(p.published_at, s.first_seen_at), coalesce(p.library_version, s.library_version)
    ) as release_no
from published as p
full outer join seen as s
    on p.library_version = s.library_version
