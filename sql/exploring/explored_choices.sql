-- title: What can be chosen: months, care areas and entries of the store's infusions
-- grain: one value of one list
with told as (
    select
        strftime(timezone(z.zone, i.started_at), '%Y-%m') as month,
        coalesce(i.care_area, 'none selected') as care_area,
        coalesce(i.entry, 'no entry') as entry
    from infusions as i
    cross join explored_zone as z
),

listed as (
    select
        'month' as list,
        month as choice
    from told
    union all
    select
        'care_area' as list,
        care_area as choice
    from told
    union all
    select
        'entry' as list,
        entry as choice
    from told
)

select
    list,
    choice,
    count(*) as infusions
from listed
group by list, choice
order by list, choice
