-- title: Start-based measures under other windows of continuation after a stop or completion
-- grain: measure, variant of the window, month, care area
-- note: of the months for which other windows are asked
with counted as (
    select
        variant,
        month,
        care_area,
        cast(sum(case when library_use in ('limited', 'no_limit_entry') then 1 else 0 end) as bigint) as inside,
        cast(sum(case when library_use <> 'unknown' then 1 else 0 end) as bigint) as known,
        cast(sum(case when protected = 1 then 1 else 0 end) as bigint) as protected,
        cast(sum(case when protected is not null then 1 else 0 end) as bigint) as protection_known
    from starts_by_window
    group by variant, month, care_area
)

select
    'library_use_starts' as measure,
    variant,
    month,
    care_area,
    inside as numerator,
    known as denominator
from counted
union all
select
    'protected_share' as measure,
    variant,
    month,
    care_area,
    protected as numerator,
    protection_known as denominator
from counted
