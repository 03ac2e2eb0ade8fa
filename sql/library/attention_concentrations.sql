-- title: Concentrations that were in force
-- grain: care area, entry, concentration
-- note: what a start does not log stays as it was on the channel (ruling 13), and may be that of the entry before: of
-- `infusions` only those in `logged_at_start` name it themselves
select
    coalesce(i.care_area, 'none selected') as care_area,
    i.entry,
    cast(printf('%.5e', i.concentration_value) as double) as concentration_value,
    i.concentration_unit,
    count(*) as infusions,
    count(e.concentration_value) as logged_at_start,
    cast(
        sum(count(*)) over (partition by coalesce(i.care_area, 'none selected'), i.entry) as bigint
    ) as infusions_of_entry
from infusions as i
inner join library_span as s
    on i.started_at >= s.begins_at and i.started_at < s.ends_at
left join events as e
    on split_part(i.infusion_id, ':', 1) = e.event_id
where
    i.library_use in ('limited', 'no_limit_entry') and i.entry is not null and not i.false_start
    and coalesce(i.use_context, 'unknown') not in ('maintenance', 'training')
group by
    coalesce(i.care_area, 'none selected'), i.entry, cast(printf('%.5e', i.concentration_value) as double),
    i.concentration_unit
order by
    coalesce(i.care_area, 'none selected'), i.entry, cast(printf('%.5e', i.concentration_value) as double),
    i.concentration_unit
