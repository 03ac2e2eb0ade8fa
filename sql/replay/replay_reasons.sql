-- title: Why recorded values could not be compared with the proposed library
-- grain: reason, care area, entry, quantity, whether it was warned about or confirmed
select
    replace(verdict, 'not comparable: ', '') as reason,
    coalesce(care_area, 'none selected') as care_area,
    coalesce(entry, '') as entry,
    limit_quantity,
    origin,
    count(*) as recorded_values
from replay_compared
where change = 'not_comparable'
group by
    replace(verdict, 'not comparable: ', ''), coalesce(care_area, 'none selected'), coalesce(entry, ''),
    limit_quantity, origin
order by
    replace(verdict, 'not comparable: ', ''), coalesce(care_area, 'none selected'), coalesce(entry, ''),
    limit_quantity, origin
