-- title: Limits that differ between each library version and the one published before it
-- grain: library version, care area (empty: the entry has one set of limits for all), entry, what became of it
-- note: a version without a date of publication has no place in the order and is left out
with dated as (
    select
        library_version,
        min(library_published_at) as published_at
    from libraries
    where library_version is not null and library_published_at is not null
    group by library_version
),

ordered as (
    select
        library_version,
        published_at,
        lag(library_version) over (order by published_at, library_version) as before_version
    from dated
),

limits as (
    select
        library_version,
        concat_ws(
            '|', coalesce(care_area, ''), coalesce(entry, ''), coalesce(cast(concentration_value as varchar), ''),
            coalesce(concentration_unit, ''), coalesce(limit_quantity, ''),
            coalesce(cast(weight_min_kg as varchar), ''), coalesce(cast(weight_max_kg as varchar), ''), side
        ) as place,
        coalesce(care_area, '') as care_area,
        coalesce(entry, '') as entry,
        max(limit_value) as limit_value
    from libraries
    unpivot (limit_value for side in (hard_low, soft_low, soft_high, hard_high))
    group by library_version, place, coalesce(care_area, ''), coalesce(entry, '')
),

pairs as (
    select
        o.library_version,
        o.published_at,
        n.place,
        n.care_area,
        n.entry,
        n.limit_value as after_value,
        cast(null as double) as before_value
    from ordered as o
    inner join limits as n
        on o.library_version = n.library_version
    where o.before_version is not null
    union all
    select
        o.library_version,
        o.published_at,
        b.place,
        b.care_area,
        b.entry,
        cast(null as double) as after_value,
        b.limit_value as before_value
    from ordered as o
    inner join limits as b
        on o.before_version = b.library_version
),

compared as (
    select
        library_version,
        published_at,
        care_area,
        entry,
        place,
        max(after_value) as after_value,
        max(before_value) as before_value
    from pairs
    group by library_version, published_at, care_area, entry, place
)

select
    library_version,
    published_at,
    care_area,
    entry,
    case
        when before_value is null then 'added'
        when after_value is null then 'removed'
        else 'changed'
    end as what,
    cast(count(*) as bigint) as limits
from compared
where before_value is distinct from after_value
group by library_version, published_at, care_area, entry, what
order by published_at, library_version, care_area, entry, what
