-- title: How many programmings of the year before each library version were of entries whose limits it changed
-- grain: library version, care area
with changed as (
    select distinct
        library_version,
        published_at,
        care_area,
        entry
    from report_limits_changed
),

versions as (
    select distinct
        library_version,
        published_at
    from changed
),

before as (
    select
        v.library_version,
        coalesce(p.care_area, '') as care_area,
        coalesce(p.entry, '') as entry,
        cast(count(*) as bigint) as programmings
    from versions as v
    inner join programmings as p
        on v.published_at - interval 365 day <= p.at and v.published_at > p.at
    group by v.library_version, coalesce(p.care_area, ''), coalesce(p.entry, '')
)

select
    b.library_version,
    b.care_area,
    cast(sum(b.programmings) as bigint) as programmings,
    cast(
        sum(
            case
                when
                    exists (
                        select 1
                        from changed as c
                        where
                            c.library_version = b.library_version
                            and c.entry = b.entry
                            and c.care_area in ('', b.care_area)
                    ) then b.programmings
                else 0
            end
        ) as bigint
    ) as touched
from before as b
group by b.library_version, b.care_area
order by b.library_version, b.care_area
