-- title: Concentrations that were chosen
-- grain: care area, entry, concentration
select
    coalesce(i.care_area, 'none selected') as care_area,
    i.entry,
    cast(printf('%.5e', i.concentration_value) as double) as concentration_value,
    i.concentration_unit,
    count(*) as infusions,
    cast(
        sum(count(*)) over (partition by coalesce(i.care_area, 'none selected'), i.entry) as bigint
    ) as infusions_of_entry
from infusions as i
inner join library_span as s
    on i.started_at >= s.begins_at and i.started_at < s.ends_at
where
    i.library_use in ('limited', 'no_limit_entry') and i.entry is not null and not i.false_start
    and coalesce(i.use_context, 'unknown') not in ('maintenance', 'training')
group by
    coalesce(i.care_area, 'none selected'), i.entry, cast(printf('%.5e', i.concentration_value) as double),
    i.concentration_unit
order by
    coalesce(i.care_area, 'none selected'), i.entry, cast(printf('%.5e', i.concentration_value) as double),
    i.concentration_unit
